"""A small camera simulator for tests: markers on a grey floor, photographed through a known camera."""

from __future__ import annotations

import cv2
import numpy as np

from coverage_lab.camera.markers import FoundMarker, known_dictionaries
from coverage_lab.camera.model import Camera, Lens
from coverage_lab.room.room import Marker

SIZE = (900, 700)
HEIGHT_M = 2.8
FLOOR_LIGHT = 22000.0


def camera(tilt_deg: float = 1.5, turn_deg: float = 4.0, distortion=(-0.1, 0.015, 0, 0, 0), size=SIZE) -> Camera:
    """Return a camera over the middle of a 4 × 3 m floor, its picture 4.2 m wide."""
    width, height = size
    focal = width / 4.4 * HEIGHT_M
    matrix = np.array([[focal, 0, width / 2 + 2.3], [0, focal, height / 2 - 3.1], [0, 0, 1]])
    turn, tilt = np.deg2rad([turn_deg, tilt_deg])
    down = np.array([[np.cos(turn), np.sin(turn), 0], [np.sin(turn), -np.cos(turn), 0], [0, 0, -1]])
    rotation = cv2.Rodrigues(np.array([tilt, 0.6 * tilt, 0.0]))[0] @ down
    return Camera(Lens(size, matrix, np.array(distortion, float)), rotation, -rotation @ [2.0, 1.5, HEIGHT_M])


def marker(number: int, x: float, y: float, turn_deg: float = 0.0, side_m: float = 0.16, **more) -> Marker:
    return Marker(more.pop("dictionary", "apriltag_36h11"), number, (x, y), side_m, turn_deg, **more)


def around(count: int) -> tuple[Marker, ...]:
    """Return up to eight markers, spread along the walls of a 4 × 3 m floor."""
    spots = [(0.3, 0.3), (3.7, 0.3), (3.7, 2.7), (0.3, 2.7), (2.0, 0.3), (2.1, 2.7), (0.3, 1.5), (3.7, 1.4)]
    return tuple(marker(i, *spot, turn_deg=25.0 * i) for i, spot in enumerate(spots[:count]))


def seen(camera: Camera, markers) -> list[FoundMarker]:
    """Return the markers as a perfect finder would."""
    return [FoundMarker(m.dictionary, m.id, camera.project(m.corners_m)) for m in markers]


def photograph(camera: Camera, markers, blur_px: float = 0.8, fine: int = 5) -> np.ndarray:
    """Return the linear light (H, W) of the floor: each pixel the mean of fine × fine rays, then blurred."""
    width, height = camera.lens.image_size
    picture = np.full((height, width), FLOOR_LIGHT, np.float32)
    for m in markers:
        corners = camera.project(m.corners_m)
        margin = np.ptp(corners, axis=0).max() / 2
        left, top = np.maximum(np.floor(corners.min(axis=0) - margin), 0).astype(int)
        right, bottom = np.minimum(np.ceil(corners.max(axis=0) + margin), (width, height)).astype(int)
        step = (np.arange(fine) + 0.5) / fine - 0.5
        columns, rows = ((np.arange(*ends)[:, None] + step).ravel() for ends in ((left, right), (top, bottom)))
        floor = camera.lift(np.stack(np.meshgrid(columns, rows), axis=-1).reshape(-1, 2), m.z_m)
        shape = (bottom - top, fine, right - left, fine)
        picture[top:bottom, left:right] = marker_light(m, floor).reshape(shape).mean(axis=(1, 3))
    return np.rint(cv2.GaussianBlur(picture, (0, 0), blur_px)).astype(np.uint16)


def marker_light(m: Marker, floor) -> np.ndarray:
    """Return the light (N,) of floor points (N, 2) on and around a marker with a white margin."""
    dictionary = cv2.aruco.getPredefinedDictionary(known_dictionaries()[m.dictionary])
    modules = dictionary.markerSize + 2
    code = cv2.copyMakeBorder(dictionary.generateImageMarker(m.id, modules), 1, 1, 1, 1, cv2.BORDER_CONSTANT, value=255)
    turn = np.deg2rad(m.turn_deg)
    away = (floor - m.centre_m) @ np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    cell = np.floor(away / m.side_m * modules + modules / 2 + 1).astype(int)
    inside = np.all((cell >= 0) & (cell < modules + 2), axis=1)
    white = code[modules + 1 - cell[inside, 1], cell[inside, 0]] > 0
    light = np.full(len(floor), FLOOR_LIGHT)
    light[inside] = np.where(white, 48000.0, 1500.0)
    return light
