"""Bring together what is seen in the frame and where the room file says it lies."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from coverage_lab.camera.markers import FoundMarker
from coverage_lab.camera.model import Camera
from coverage_lab.errors import BadInput, Problem, Refused
from coverage_lab.job import PickedCorner, Quality
from coverage_lab.room.room import Marker

FloatArray = NDArray[np.float64]

_U_CORNER_PX = 0.1  # a marker corner located on linear light; on rendered nights 0.05
_U_PICKED_PX = 2.0
_U_PICKED_M = 0.003
_FEWEST_MARKERS = 3
_FEWEST_PLACES = 4  # markers and picked corners together
_FLATTEST = 0.05  # least ratio of the places' spread across to their spread along
_ON_A_LINE = "Lay markers out to all sides of the floor"


@dataclass(frozen=True, slots=True, eq=False)
class Place:
    """A marker or a hand-picked corner: points known both in the room and in the picture."""

    name: str
    points_m: FloatArray  # (K, 3)
    pixels: FloatArray  # (K, 2)
    u_px: float  # per coordinate, each point by itself
    u_shift_m: float  # of the place as a whole, per axis
    u_turn: float  # of the place about its centre, radians

    @property
    def outward(self) -> FloatArray:
        """Unit vectors (K, 2) in the picture away from the place's middle; zero for a single point."""
        away = self.pixels - self.pixels.mean(axis=0)
        length = np.hypot(away[:, 0], away[:, 1])[:, None]
        return np.asarray(away / np.where(length > 0, length, 1))

    def moves(self, camera: Camera) -> FloatArray:
        """Return how the pixels (2K, 3) follow the place: shifted east, north (px/m), turned (px/rad)."""
        step_m = 1e-4
        away = self.points_m - self.points_m.mean(axis=0)
        turned = np.column_stack([-away[:, 1], away[:, 0], np.zeros(len(away))])
        directions = (np.array([1.0, 0, 0]), np.array([0, 1.0, 0]), turned)
        ends = [
            camera.project(self.points_m + step_m * way) - camera.project(self.points_m - step_m * way)
            for way in directions
        ]
        return np.column_stack([end.ravel() / (2 * step_m) for end in ends])

    def whitener(self, moves: FloatArray) -> FloatArray:
        """Return the matrix (2K, 2K) that gives residuals (column, row by turns) unit covariance."""
        spread = moves * np.array([self.u_shift_m, self.u_shift_m, self.u_turn])
        covariance = spread @ spread.T + self.u_px**2 * np.eye(len(moves))
        return np.asarray(np.linalg.inv(np.linalg.cholesky(covariance)))


def check_enough(markers: int, corners: int) -> None:
    """Raise BadInput where so many described markers and picked corners could never tell where the camera hangs."""
    if markers < _FEWEST_MARKERS and markers + corners < _FEWEST_PLACES:
        wrong = f"markers described: {markers}, corners picked by hand: {corners}; too few to find the camera"
        raise BadInput(Problem(None, "markers", wrong, "Describe 3 markers, or pick corners to make 4 places in all"))


def match_places(
    found: Sequence[FoundMarker], markers: Sequence[Marker], corners: Sequence[PickedCorner]
) -> tuple[tuple[Place, ...], tuple[Quality, ...]]:
    """Return the places known on both sides, and remarks on those known on one side only.

    Raises Refused if they are too few, lie on one line or appear mirrored; BadInput if the room file and the
    picked corners could never be enough.
    """
    check_enough(len(markers), len(corners))
    known = {(marker.dictionary, marker.id): marker for marker in markers}
    seen = Counter((marker.dictionary, marker.id) for marker in found)
    pairs = [
        (marker, known[key]) for marker in found if seen[key := (marker.dictionary, marker.id)] == 1 and key in known
    ]
    quality = _remarks(seen, known)
    if len(pairs) < _FEWEST_MARKERS and len(pairs) + len(corners) < _FEWEST_PLACES:
        raise _too_few(seen, known, len(corners))
    east_north = _affine(
        np.array([room.centre_m for _, room in pairs] + [corner.floor_m for corner in corners]),
        np.array([marker.corners_px.mean(axis=0) for marker, _ in pairs] + [corner.pixel for corner in corners]),
    )
    places = []
    for marker, room in pairs:
        quarters = _quarters(marker.corners_px, room.corners_m[:, :2], east_north)
        if quarters:
            text = f"marker {marker.name} lies {90 * quarters}° further clockwise than its turn_deg says"
            quality.append(Quality("marker-moved", "note", text))
        places.append(_marker_place(marker, room, quarters))
    return (*places, *(_picked_place(corner, number) for number, corner in enumerate(corners, 1))), tuple(quality)


def _remarks(seen: Counter[tuple[str, int]], known: dict[tuple[str, int], Marker]) -> list[Quality]:
    remarks = []
    for keys, text, mend in (
        ([key for key in known if key not in seen], "not seen", "uncover it, or take it out of the room file"),
        (
            [key for key, times in seen.items() if times > 1 and key in known],
            "seen more than once",
            "take one away; it is not used",
        ),
        ([key for key in seen if key not in known], "seen, but not in the room file", "describe it there"),
    ):
        if keys:
            sentence = f"marker {_listed(keys)} in the reference frame is {text}: {mend}"
            remarks.append(Quality("marker-missing", "warning", sentence))
    return remarks


def _listed(keys: Sequence[tuple[str, int]]) -> str:
    return ", ".join(f"{dictionary} {number}" for dictionary, number in sorted(keys))


def _too_few(seen: Counter[tuple[str, int]], known: dict[tuple[str, int], Marker], corners: int) -> Refused:
    used = [key for key in known if seen[key] == 1]
    missing = [key for key in known if seen[key] != 1]
    wrong = f"{len(used)} of {len(known)} markers can be used"
    wrong += f" ({_listed(used)})" if used else ""
    wrong += f"; not seen, or seen twice: {_listed(missing)}"
    strangers = [key for key in seen if key not in known]
    wrong += f"; seen but not in the room file: {_listed(strangers)}" if strangers else ""
    wrong += f"; {corners} corners are picked" if corners else ""
    mend = "Re-shoot with 3 markers in full view, or pick corners ([[camera.corners]]) to make 4 places in all"
    return Refused(Problem(None, "reference", wrong, mend), "marker-missing")


def _affine(plan_m: FloatArray, pixels: FloatArray) -> FloatArray:
    """Return the pixels per metre east and north, shape (2, 2), a row each, that fit best."""
    spread = np.linalg.svd(plan_m - plan_m.mean(axis=0), compute_uv=False)
    if spread[1] < _FLATTEST * spread[0]:
        wrong = "all markers and picked corners lie on one line"
        raise Refused(Problem(None, "reference", wrong, _ON_A_LINE), "marker-missing")
    design = plan_m - plan_m.mean(axis=0)
    affine = np.linalg.lstsq(design, pixels - pixels.mean(axis=0), rcond=None)[0]
    # Rows run down while north runs up, so a picture of the floor from above has a negative determinant.
    if np.linalg.det(affine) >= 0:
        wrong = "the markers appear mirrored against the room file"
        mend = "Look for two markers exchanged in the room file, or for a picture that was flipped"
        raise Refused(Problem(None, "reference", wrong, mend), "marker-moved")
    return np.asarray(affine)


def _quarters(corners_px: FloatArray, corners_m: FloatArray, east_north: FloatArray) -> int:
    """Return by how many quarter turns clockwise the marker lies further than the room file says."""
    expected = (corners_m - corners_m.mean(axis=0)) @ east_north
    seen = corners_px - corners_px.mean(axis=0)
    return int(np.argmin([((np.roll(seen, turn, axis=0) - expected) ** 2).sum() for turn in range(4)]))


def _marker_place(marker: FoundMarker, room: Marker, quarters: int) -> Place:
    # A square that lies a quarter further covers the same floor: only its corners have other names.
    u_shift_m = room.tolerance_m / np.sqrt(3)
    return Place(
        name=marker.name,
        points_m=room.corners_m,
        pixels=np.roll(marker.corners_px, quarters, axis=0),
        u_px=_U_CORNER_PX,
        u_shift_m=u_shift_m,
        # Whoever lays a corner within the tolerance turns the marker by no more than that.
        u_turn=u_shift_m / (room.side_m / np.sqrt(2)),
    )


def _picked_place(corner: PickedCorner, number: int) -> Place:
    return Place(
        name=f"picked corner {number}",
        points_m=np.array([[*corner.floor_m, 0.0]]),
        pixels=np.array([corner.pixel], dtype=np.float64),
        u_px=_U_PICKED_PX,
        u_shift_m=_U_PICKED_M,
        u_turn=0.0,
    )
