"""What an avoidance trial found, for the panel: a line of numbers and a polar figure for each decoy.

In the polar figure the decoy's outline is the inner disc and the distance from it to swept floor goes outward, by
bearing from the decoy, north up; what the robot left is tinted as missed, what it cleaned as swept.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from coverage_lab.measures.values import DecoyFound, DecoyVerdict, Measures, Pen
from coverage_lab.show.palette import (
    ALARM,
    CAUTION,
    DECOY,
    INK,
    MISSED,
    RULE,
    SOFT,
    SWEPT,
    Colour,
    Picture,
    tint,
)
from coverage_lab.show.rows import (
    UNKNOWN_TEXT,
    Column,
    blank,
    decimals,
    heading,
    number,
    span,
    spread,
    stacked,
    table,
    triple,
)
from coverage_lab.show.text import SMALL, Style, width_px, write

VERDICT_COLOURS: dict[DecoyVerdict, Colour] = {
    "clear": SWEPT.unlit,
    "touched": CAUTION,
    "driven over": ALARM,
    "can't be told": SOFT,
    "not challenged": SOFT,
}
FARTHEST_MM = 200.0
HUB_PX, RADIUS_PX = 16, 96  # of the decoy's disc, and of the whole figure
HALF_STEP_DEG = 2.5
RING_LABELS_MM = (50, 100, 150)
ZOOM = 2  # the figure is drawn so much larger and shrunk, which softens its edges


def decoy_section(measures: Measures, wide: int) -> Picture | None:
    """Return the section on decoys; None for a run that is no avoidance trial."""
    found = measures.avoidance
    if found is None:
        return None
    columns = [
        Column("decoy", 0.0, 0.30, "left"),
        Column("nozzle mm", 0.50, 0.20),
        Column("body mm", 0.76, 0.24),
        Column("within 100 mm", 1.0, 0.23),
    ]
    rows = [heading("Decoys", wide, "nearest pass; floor cleaned")]
    rows.append(table(columns, [_cells(one) for one in found], wide))
    if any(one.body_basis == "light" for one in found):
        rows.append(_note("one exposure shows no body: its distance lies between the bounds given", wide))
    rows.extend(_smears(found, wide))
    rows.extend(_pen(measures.pen, wide))
    figures = [_figure(one, wide // 2) for one in found]
    figures += [blank(figures[0].shape[0], wide - wide // 2)] if len(figures) % 2 else []
    rows.append(blank(8, wide))
    for left, right in zip(figures[::2], figures[1::2], strict=True):
        rows.append(np.hstack([left, right, blank(left.shape[0], wide - left.shape[1] - right.shape[1])]))
    return stacked(rows)


def _cells(one: DecoyFound) -> list[str]:
    body = one.body_clearance_mm
    ring = one.rings.get(100)
    if body is None:
        by_body = UNKNOWN_TEXT
    else:
        by_body = span(body.interval_95, 0) if one.body_basis == "light" else spread(body, 0)
    share = UNKNOWN_TEXT if ring is None else f"{number(ring.value, 1)} %"
    return [one.decoy, spread(one.nozzle_clearance_mm, 0), by_body, share]


def _note(text: str, wide: int) -> Picture:
    row = blank(20, wide)
    write(row, text, (0, 14), SMALL, room_px=wide)
    return row


def _smears(found: tuple[DecoyFound, ...], wide: int) -> list[Picture]:
    rows = []
    for one in found:
        if one.smear is not None:
            contacts = 1 + len(one.smear.later_contacts_t_s)
            since = "" if one.smear.contact_t_s is None else f"from {number(one.smear.contact_t_s, 1)} s, "
            note = f"{since}{contacts} contact{'s' if contacts > 1 else ''}"
            rows.append(triple(f"after {one.decoy}: driven", f"{number(one.smear.length_m.value, 2)} m", note, wide))
    return rows


def _pen(pen: Pen | None, wide: int) -> list[Picture]:
    if pen is None:
        return []
    rows = []
    beyond = pen.beyond_100_percent
    if beyond is not None:
        places = decimals((beyond.interval_95[1] - beyond.interval_95[0]) / 2)
        note = f"{span(beyond.interval_95, places)} %"
        rows.append(triple("cleaned beyond 100 mm", f"{number(beyond.value, places)} %", note, wide))
    lost = f"{number(1e4 * pen.caution_m2.value, 0)} cm²"
    rows.append(triple("lost to caution", f"{number(pen.caution_percent.value, 1)} %", lost, wide))
    return rows


def _figure(one: DecoyFound, wide: int) -> Picture:
    """Return the polar figure of one decoy under its name and verdict."""
    sheet = blank(2 * RADIUS_PX + 66, wide)
    used = write(sheet, one.decoy, (0, 18), Style(15, 600), room_px=wide - 8)
    verdict = Style(14, 600, VERDICT_COLOURS[one.verdict])
    below = used + 10 + width_px(one.verdict, verdict) > wide
    write(sheet, one.verdict, (0, 38) if below else (used + 10, 18), verdict, room_px=wide)
    if one.contact_seen is not None:
        seen = "contact seen" if one.contact_seen else "no contact seen"
        write(sheet, seen, (wide - 12, 38), SMALL, "right", wide // 2)
    middle = (wide // 2 - 6, 44 + RADIUS_PX)
    disc = _disc(one)
    top, left = middle[1] - RADIUS_PX, middle[0] - RADIUS_PX
    sheet[top : top + disc.shape[0], left : left + disc.shape[1]] = disc
    for mm in RING_LABELS_MM:
        at = (middle[0] + 3, middle[1] + round(_radius_px(mm)) - 3)
        write(sheet, str(mm), at, Style(11, 500, INK), "left")
    write(sheet, "N", (middle[0], top - 4), Style(12, 600), "centre")
    if one.nozzle_clearance_mm is not None:
        write(sheet, number(one.nozzle_clearance_mm.value, 0), (middle[0], middle[1] + 5), Style(12, 700), "centre")
    return sheet


def _radius_px(mm: float) -> float:
    return HUB_PX + (RADIUS_PX - HUB_PX) * min(max(mm, 0.0), FARTHEST_MM) / FARTHEST_MM


def _disc(one: DecoyFound) -> Picture:
    """Return the round part: wedges of missed and swept floor, rings, the decoy in the middle."""
    size = 2 * RADIUS_PX * ZOOM
    sheet = blank(size, size)
    ground = np.full((size, size), 60, np.uint8)
    kinds = {"missed": tint(MISSED, ground), "swept": tint(SWEPT, np.full((size, size), 150, np.uint8))}
    for bearing, away in one.profile:
        for kind, inner, outer in (("missed", 0.0, away), ("swept", away, FARTHEST_MM)):
            if inner is not None:
                mask = np.zeros((size, size), np.uint8)
                cv2.fillPoly(mask, [_wedge(bearing, inner, FARTHEST_MM if outer is None else outer)], (255,))
                sheet[mask > 0] = kinds[kind][mask > 0]
    middle = (size // 2, size // 2)
    for mm in RING_LABELS_MM:
        cv2.circle(sheet, middle, round(ZOOM * _radius_px(mm)), INK, 1, cv2.LINE_AA)
    cv2.circle(sheet, middle, size // 2 - 1, RULE, 2, cv2.LINE_AA)
    cv2.circle(sheet, middle, ZOOM * HUB_PX, DECOY.unlit, -1, cv2.LINE_AA)
    cv2.circle(sheet, middle, ZOOM * HUB_PX, INK, 3, cv2.LINE_AA)
    return np.asarray(cv2.resize(sheet, (size // ZOOM, size // ZOOM), interpolation=cv2.INTER_AREA), np.uint8)


def _wedge(bearing_deg: float, inner_mm: float, outer_mm: float) -> NDArray[np.int32]:
    turn = np.deg2rad(bearing_deg + HALF_STEP_DEG * np.array([-1.0, 0.0, 1.0]))
    toward = np.column_stack([np.sin(turn), -np.cos(turn)])
    inner, outer = (ZOOM * _radius_px(mm) for mm in (inner_mm, outer_mm))
    ring = np.concatenate([inner * toward, outer * toward[::-1]]) + RADIUS_PX * ZOOM
    return np.asarray(np.rint(ring), dtype=np.int32)
