"""What is drawn over the tinted exposure: outlines, names, the dock, the camera's foot, numbered pockets."""

from __future__ import annotations

from dataclasses import replace
from math import hypot

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Point, Polygon
from shapely.geometry.base import BaseGeometry

from coverage_lab.measures.edges import walls
from coverage_lab.measures.values import Measures, MostDriven, Pocket
from coverage_lab.room.plan import FloorPlan
from coverage_lab.room.room import Room
from coverage_lab.show.decoy_marks import draw_rings, draw_verdicts
from coverage_lab.show.palette import INK, PAPER, SOFT, Colour, Picture
from coverage_lab.show.rows import blank
from coverage_lab.show.scale import PlanScale
from coverage_lab.show.tags import TAG_PX, Board, Box
from coverage_lab.show.text import Style, width_px, write

WHITE: Colour = (255, 255, 255)
NAME = Style(13, 500)
NUMBER = Style(13, 700, WHITE)
SIZE = Style(13, 400)
FINE_BELOW_PX = 24  # a narrower pocket would drown in a bold outline
NEAR = (4, 12, 24, 44, 70)  # how far from its thing a name may stand, px
FAR = (5, 14, 28, 46, 70, 100)  # the same for a pocket's tag


def draw_marks(picture: Picture, plan: FloorPlan, measures: Measures, scale: PlanScale) -> None:
    """Draw everything that lies over the plan's picture; what is drawn first gets its tag placed first."""
    pockets = sorted(measures.pockets or (), key=lambda pocket: pocket.id)
    board = Board(picture.shape)
    if measures.avoidance is not None:
        draw_rings(picture, plan.room, scale)
    _outlines(picture, plan.room, scale)
    for pocket in pockets:
        fine = pocket.diameter_mm.value / 1000 * scale.px_per_m < FINE_BELOW_PX
        scale.outline(picture, _edge_of(pocket), INK, 3 if fine else 4)
        scale.outline(picture, _edge_of(pocket), WHITE, 1 if fine else 2)
    places = () if measures.passes is None else measures.passes.most_driven or ()
    for place in places:
        scale.dashes(picture, _circle(place), INK, dash_px=6, width_px=4)
        scale.dashes(picture, _circle(place), WHITE, dash_px=6, width_px=2)
    _wall_names(picture, plan.room, scale, board)
    _names_inside(picture, _unnamed(plan.room, measures), scale, board)
    board.take_mask(scale.mask([thing.footprint for thing in plan.room.standing], picture.shape))
    board.take_mask(scale.mask([_edge_of(pocket) for pocket in pockets if not _roomy(pocket, scale)], picture.shape))
    draw_verdicts(picture, plan.room, measures, scale, board)
    foot_m = None if measures.camera is None else measures.camera.centre_m[:2]
    points = _points(picture, plan.room, foot_m, scale, board)
    for pocket in pockets:
        _pocket_tag(picture, pocket, scale, board)
    for place in places:
        _visits_tag(picture, place, scale, board)
    _name_beside(picture, [*points, *_names_outside(_unnamed(plan.room, measures), scale)], board)


def draw_room(picture: Picture, room: Room, foot_m: tuple[float, float] | None, scale: PlanScale, board: Board) -> None:
    """Draw what stands in the room with its names, the dock, and the camera's foot; nothing of any run."""
    _outlines(picture, room, scale)
    _names_inside(picture, room, scale, board)
    board.take_mask(scale.mask([thing.footprint for thing in room.standing], picture.shape))
    _name_beside(picture, [*_points(picture, room, foot_m, scale, board), *_names_outside(room, scale)], board)


def _name_beside(picture: Picture, named: list[tuple[str, NDArray[np.float64], float]], board: Board) -> None:
    """Write names beside what they name, each with its place and its extent in pixels, where there is room."""
    for name, at_px, round_px in named:
        box = board.place(at_px, width_px(name, NAME) + 10, NEAR, round_px)
        if box:
            _leader(picture, at_px, round_px, np.clip(at_px, box[:2], np.subtract(box[2:], 1)))
            _tag(picture, box, name, board)


def _unnamed(room: Room, measures: Measures) -> Room:
    """Return the room without the things whose names stand beside their verdicts."""
    return room if measures.avoidance is None else replace(room, decoys=())


def _outlines(picture: Picture, room: Room, scale: PlanScale) -> None:
    for zone in room.zones:
        scale.dashes(picture, zone.outline, WHITE)
    for overhang in room.overhangs:
        scale.dashes(picture, overhang.outline, INK, dash_px=5, width_px=3)
        scale.dashes(picture, overhang.outline, PAPER, dash_px=5, width_px=2)
    for obstacle in room.obstacles:
        scale.outline(picture, obstacle.footprint, INK, 2)
    for decoy in room.decoys:
        scale.outline(picture, decoy.footprint, INK, 4)
        scale.outline(picture, decoy.footprint, WHITE)
    scale.outline(picture, room.floor, INK, 4)
    scale.outline(picture, room.floor, PAPER, 2)


def _wall_names(picture: Picture, room: Room, scale: PlanScale, board: Board) -> None:
    """Name each wall just outside the floor, with the number that the table of edges gives it."""
    for index, (start, end) in enumerate(walls(room.floor), start=1):
        length_m = float(np.hypot(*(end - start)))
        name = f"wall {index}"
        wide = width_px(name, NAME) + 8
        if length_m * scale.px_per_m < wide + 12:
            continue
        along = (end - start) / length_m
        outward_px = np.array([along[1], along[0]])
        tag = blank(16, wide)
        write(tag, name, (4, 12), Style(13, 500, SOFT))
        if abs(along[1]) > abs(along[0]):
            tag = np.rot90(tag, 1)
        _paste(picture, tag, scale.to_px((start + end) / 2) + outward_px * 13, board)


def _paste(picture: Picture, tag: Picture, middle_px: NDArray[np.float64], board: Board) -> None:
    """Lay a tag over the picture around a point, moved inside where it would stick out, if the picture holds it."""
    high, wide = tag.shape[:2]
    left = min(max(round(middle_px[0] - wide / 2), 0), picture.shape[1] - wide)
    top = min(max(round(middle_px[1] - high / 2), 0), picture.shape[0] - high)
    if left >= 0 and top >= 0:
        picture[top : top + high, left : left + wide] = tag
        board.take((left, top, left + wide, top + high))


def _points(
    picture: Picture, room: Room, foot_m: tuple[float, float] | None, scale: PlanScale, board: Board
) -> list[tuple[str, NDArray[np.float64], float]]:
    """Draw the dock and the camera's foot; return their names, where they are, and their extent in pixels."""
    named = []
    if room.dock_m is not None:
        at_px = scale.to_px(room.dock_m)
        col, row = np.rint(at_px).astype(int).tolist()
        cv2.rectangle(picture, (col - 6, row - 6), (col + 6, row + 6), INK, -1)
        cv2.rectangle(picture, (col - 4, row - 4), (col + 4, row + 4), WHITE, 2)
        named.append(("dock", at_px, 9.0))
    if foot_m is not None:
        at_px = scale.to_px(foot_m)
        col, row = np.rint(at_px).astype(int).tolist()
        for colour, width in ((INK, 3), (WHITE, 1)):
            cv2.circle(picture, (col, row), 7, colour, width, cv2.LINE_AA)
            cv2.line(picture, (col - 13, row), (col + 13, row), colour, width)
            cv2.line(picture, (col, row - 13), (col, row + 13), colour, width)
        named.append(("camera foot", at_px, 12.0))
    for _, at_px, half in named:
        col, row = np.rint(at_px).astype(int).tolist()
        board.take((col - int(half), row - int(half), col + int(half), row + int(half)))
    return named


def _names_inside(picture: Picture, room: Room, scale: PlanScale, board: Board) -> None:
    """Write the names that fit into what they name, and those of zones and overhangs into their corner."""
    for thing in room.standing:
        middle, fits = _name_fits(thing.name, thing.footprint, scale)
        if fits:
            half = width_px(thing.name, NAME) // 2 + 5
            box = middle[0] - half, middle[1] - TAG_PX // 2, middle[0] + half, middle[1] + TAG_PX // 2
            _tag(picture, box, thing.name, board)
    corners = [(zone.name, zone.outline) for zone in room.zones]
    corners += [(overhang.name, overhang.outline) for overhang in room.overhangs]
    for name, outline in corners:
        west, _, _, north = outline.bounds
        left, top = (np.rint(scale.to_px((west, north))).astype(int) + 5).tolist()
        box = left, top, left + 10 + width_px(name, NAME), top + TAG_PX
        if board.free(box):
            _tag(picture, box, name, board)


def _names_outside(room: Room, scale: PlanScale) -> list[tuple[str, NDArray[np.float64], float]]:
    """Return the names that do not fit into what they name, where that is, and half its width in pixels."""
    names = []
    for thing in room.standing:
        middle, fits = _name_fits(thing.name, thing.footprint, scale)
        if not fits:
            west, south, east, north = thing.footprint.bounds
            names.append((thing.name, np.array(middle, float), min(east - west, north - south) / 2 * scale.px_per_m))
    return names


def _name_fits(name: str, area: BaseGeometry, scale: PlanScale) -> tuple[tuple[int, int], bool]:
    """Return a pixel inside the area, and whether the name written there stays inside."""
    col, row = np.rint(scale.to_px(shapely.get_coordinates(area.representative_point())[0])).astype(int).tolist()
    hull = Polygon(scale.to_px(shapely.get_coordinates(shapely.convex_hull(area))))
    half = width_px(name, NAME) / 2 + 7
    return (col, row), bool(hull.contains(shapely.box(col - half, row - 11, col + half, row + 11)))


def _tag(picture: Picture, box: Box, name: str, board: Board) -> None:
    left, top, right, bottom = box
    cv2.rectangle(picture, (left, top), (right - 1, bottom - 1), PAPER, -1)
    write(picture, name, (left + 5, bottom - 5), NAME)
    board.take(box)


def _edge_of(pocket: Pocket) -> BaseGeometry:
    """Return the pocket's outline, or its inscribed circle where no outline is known."""
    if len(pocket.outline_m) >= 4:
        return Polygon(pocket.outline_m)
    return Point(pocket.pole_m).buffer(pocket.diameter_mm.value / 2000)


def _tag_widths(pocket: Pocket) -> tuple[int, int]:
    """Return how wide a pocket's tag is, its number alone and with its diameter."""
    alone = width_px(str(pocket.id), NUMBER) + 12
    return alone, alone + width_px(f"{pocket.diameter_mm.value:.0f}", SIZE) + 10


def _roomy(pocket: Pocket, scale: PlanScale) -> bool:
    """Say whether the whole tag fits into the pocket's inscribed circle."""
    across_px = pocket.diameter_mm.value / 1000 * scale.px_per_m
    return across_px > hypot(_tag_widths(pocket)[1], TAG_PX) + 8


def _pocket_tag(picture: Picture, pocket: Pocket, scale: PlanScale, board: Board) -> None:
    """Tag a pocket with its number and its diameter in mm; in a crowd with its number alone, or not at all."""
    at_px = scale.to_px(pocket.pole_m)
    alone, whole = _tag_widths(pocket)
    half = pocket.diameter_mm.value / 2000 * scale.px_per_m
    box = board.centred(at_px, whole) if _roomy(pocket, scale) else None
    if box is None:
        box = board.place(at_px, whole, FAR, half) or board.place(at_px, alone, FAR, half)
    if box is None:
        return
    left, top, right, bottom = box
    _leader(picture, at_px, half, np.clip(at_px, (left, top), (right - 1, bottom - 1)))
    cv2.rectangle(picture, (left, top), (right - 1, bottom - 1), PAPER, -1)
    cv2.rectangle(picture, (left, top), (left + alone - 1, bottom - 1), INK, -1)
    write(picture, str(pocket.id), (left + 6, bottom - 5), NUMBER)
    if right - left > alone:
        write(picture, f"{pocket.diameter_mm.value:.0f}", (right - 5, bottom - 5), SIZE, "right")
    board.take(box)


def _leader(picture: Picture, at_px: NDArray[np.float64], half: float, tag_px: NDArray[np.float64]) -> None:
    """Join the circle around a thing and the nearest point of its tag, where the tag stands outside."""
    away_px = hypot(*(tag_px - at_px))
    if away_px <= half:
        return
    start = np.rint(at_px + (tag_px - at_px) * half / away_px).astype(int).tolist()
    end = np.rint(tag_px).astype(int).tolist()
    for colour, width in ((INK, 3), (WHITE, 1)):
        cv2.line(picture, start, end, colour, width, cv2.LINE_AA)


def _circle(place: MostDriven) -> Polygon:
    """Return the largest circle inside a place that was driven over often."""
    return Point(place.pole_m).buffer(place.diameter_mm / 2000)


def _visits_tag(picture: Picture, place: MostDriven, scale: PlanScale, board: Board) -> None:
    """Tag a place that was driven over often with how often that was."""
    at_px, name = scale.to_px(place.pole_m), f"{place.visits:.0f}×"
    half = place.diameter_mm / 2000 * scale.px_per_m
    wide = width_px(name, NAME) + 10
    box = board.centred(at_px, wide) if 2 * half > hypot(wide, TAG_PX) + 6 else None
    box = box or board.place(at_px, wide, FAR, half)
    if box is not None:
        _leader(picture, at_px, half, np.clip(at_px, box[:2], np.subtract(box[2:], 1)))
        _tag(picture, box, name, board)
