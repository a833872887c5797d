"""What an avoidance trial draws over the plan: rings around decoys, the nearest approach, the verdict."""

from __future__ import annotations

from math import hypot

import cv2
import numpy as np

from coverage_lab.measures.around_decoy import RINGS_MM
from coverage_lab.measures.values import DecoyFound, Measures
from coverage_lab.room.room import Decoy, Room
from coverage_lab.show.decoys import VERDICT_COLOURS
from coverage_lab.show.palette import INK, PAPER, Colour, Picture
from coverage_lab.show.scale import PlanScale
from coverage_lab.show.tags import TAG_PX, Board
from coverage_lab.show.text import Style, width_px, write

WHITE: Colour = (255, 255, 255)
VERDICT = Style(14, 700, WHITE)
DETAIL = Style(13, 500)
REACHES = (34, 52, 74, 100, 130, 160)  # px from a decoy that its tag may stand off
SHORTEST_ARROW_PX = 14


def draw_rings(picture: Picture, room: Room, scale: PlanScale) -> None:
    """Draw the rings around each decoy, clipped to the floor."""
    for decoy in room.decoys:
        for width_mm in RINGS_MM:
            ring = decoy.footprint.buffer(width_mm / 1000).intersection(room.floor)
            scale.dashes(picture, ring, INK, dash_px=6, width_px=3)
            scale.dashes(picture, ring, PAPER, dash_px=6, width_px=1)


def draw_verdicts(picture: Picture, room: Room, measures: Measures, scale: PlanScale, board: Board) -> None:
    """Draw for each decoy the arrow to the nearest swept floor, and a tag with its verdict and that distance."""
    found = {one.decoy: one for one in measures.avoidance or ()}
    for decoy in room.decoys:
        if decoy.name in found:
            _arrow(picture, found[decoy.name], scale)
    for decoy in room.decoys:
        if decoy.name in found:
            _tag(picture, decoy, found[decoy.name], scale, board)


def _arrow(picture: Picture, one: DecoyFound, scale: PlanScale) -> None:
    """Draw the nearest approach; inside a footprint, where an arrow is too short, a cross."""
    if one.nearest_m is None or one.nozzle_clearance_mm is None:
        return
    start, end = (scale.to_px(point) for point in one.nearest_m)
    first, last = np.rint(start).astype(int).tolist(), np.rint(end).astype(int).tolist()
    colour = VERDICT_COLOURS[one.verdict]
    length_px = hypot(*(end - start))
    if one.nozzle_clearance_mm.value <= 0 or length_px < SHORTEST_ARROW_PX:
        for paint, width in ((WHITE, 8), (colour, 4)):
            for sign in (-1, 1):
                arm = np.array([8, sign * 8])
                cv2.line(picture, (last - arm).tolist(), (last + arm).tolist(), paint, width, cv2.LINE_AA)
        return
    for paint, width in ((WHITE, 7), (colour, 3)):
        cv2.arrowedLine(picture, first, last, paint, width, cv2.LINE_AA, tipLength=min(12 / length_px, 0.5))


def _tag(picture: Picture, decoy: Decoy, one: DecoyFound, scale: PlanScale, board: Board) -> None:
    """Write name, verdict and distance beside a decoy, the verdict on its colour."""
    gap = one.nozzle_clearance_mm
    detail = decoy.name if gap is None else f"{decoy.name}  {gap.value:.0f} mm".replace("-", "−")
    left_px = width_px(one.verdict, VERDICT) + 14
    wide = left_px + width_px(detail, DETAIL) + 14
    west, south, east, north = decoy.footprint.bounds
    round_px = max(east - west, north - south) / 2 * scale.px_per_m
    at_px = scale.to_px(np.array([decoy.footprint.centroid.x, decoy.footprint.centroid.y]))
    box = board.place(at_px, wide, REACHES, round_px)
    if box is None:
        return
    left, top, right, bottom = box
    cv2.rectangle(picture, (left - 1, top - 1), (right, bottom), INK, -1)
    cv2.rectangle(picture, (left, top), (right - 1, bottom - 1), PAPER, -1)
    cv2.rectangle(picture, (left, top), (left + left_px - 1, bottom - 1), VERDICT_COLOURS[one.verdict], -1)
    write(picture, one.verdict, (left + 7, top + TAG_PX - 5), VERDICT)
    write(picture, detail, (left + left_px + 7, top + TAG_PX - 5), DETAIL)
    board.take(box)
