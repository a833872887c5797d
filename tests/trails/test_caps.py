"""Square ends of strips, and what lies between two of them."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely import Polygon

from coverage_lab.trails.blind import Strip, bridge
from coverage_lab.trails.caps import find_caps, join, passed_between

CELL_M, NOZZLE_M = 0.004, 0.24
ROWS, COLS = 500, 600
ORIGIN_M = (-0.2, 1.9)  # west and north edge


def strip_of(*legs_m: tuple[tuple[float, float], tuple[float, float]]) -> np.ndarray:
    """The floor passed over on straight legs, as a mask with soft corners."""
    mask = np.zeros((ROWS, COLS), np.uint8)
    for start, end in legs_m:
        a, b = np.array(start), np.array(end)
        along = (b - a) / np.hypot(*(b - a))
        half = NOZZLE_M / 2 * np.array([-along[1], along[0]])
        corners = np.array([a - half, a + half, b + half, b - half])
        cells = (corners - ORIGIN_M) / CELL_M * [1, -1] - 0.5
        cv2.fillConvexPoly(mask, np.rint(cells * 16).astype(np.int32), 1, shift=4)
    return mask


def caps_of(mask: np.ndarray):
    return find_caps(mask, NOZZLE_M, CELL_M, ORIGIN_M)


@given(st.floats(0, 2 * np.pi), st.floats(0.5, 0.9))
def test_both_ends_of_a_straight_strip_are_found(heading: float, length_m: float):
    along = np.array([np.cos(heading), np.sin(heading)])
    middle = np.array([1.0, 0.9])
    ends = [middle - along * length_m / 2, middle + along * length_m / 2]
    found = caps_of(strip_of((tuple(ends[0]), tuple(ends[1]))))
    assert len(found) == 2
    for end, outward in zip(ends, (-along, along), strict=True):
        nearest = min(found, key=lambda cap: float(np.hypot(*(cap.centre_m - end))))
        assert np.hypot(*(nearest.centre_m - end)) < 1.5 * CELL_M
        assert nearest.outward @ outward > 0.99


def test_a_square_of_floor_or_a_disc_has_no_ends_of_a_bar():
    mask = np.zeros((ROWS, COLS), np.uint8)
    cv2.circle(mask, (300, 250), 80, 1, -1)
    assert caps_of(mask) == ()
    mask[:] = 0
    mask[100:400, 100:400] = 1
    assert caps_of(mask) == ()


@given(st.floats(0, 2 * np.pi), st.floats(0.03, 0.25))
def test_the_floor_between_two_strips_is_the_bar_times_the_step(heading: float, gap_m: float):
    along = np.array([np.cos(heading), np.sin(heading)])
    a, b = np.array([1.0, 0.9]) - along * gap_m / 2, np.array([1.0, 0.9]) + along * gap_m / 2
    before = caps_of(strip_of((tuple(a - 0.6 * along), tuple(a))))
    after = caps_of(strip_of((tuple(b), tuple(b + 0.6 * along))))
    found = join(before, after, NOZZLE_M, blind_s=1.0)
    assert found
    assert found.length_m == pytest.approx(gap_m, abs=2.5 * CELL_M)
    assert found.along @ along > 0.99
    outline = Polygon(passed_between(found, NOZZLE_M))
    true = Polygon([a - _half(along), a + _half(along), b + _half(along), b - _half(along)])
    assert true.difference(outline.buffer(1.5 * CELL_M)).area < 1e-9
    assert outline.area < true.area + NOZZLE_M * 0.03


def _half(along: np.ndarray) -> np.ndarray:
    return NOZZLE_M / 2 * np.array([-along[1], along[0]])


def test_strips_too_far_apart_or_side_by_side_are_not_joined():
    before = caps_of(strip_of(((0.2, 0.9), (0.8, 0.9))))
    far = caps_of(strip_of(((1.4, 0.9), (2.0, 0.9))))
    beside = caps_of(strip_of(((0.9, 1.2), (1.5, 1.2))))
    assert join(before, far, NOZZLE_M, blind_s=0.5) is None
    assert join(before, far, NOZZLE_M, blind_s=1.0) is not None
    assert join(before, beside, NOZZLE_M, blind_s=1.0) is None


def bridged(before: np.ndarray, after: np.ndarray, blind_s: float = 0.4):
    return bridge(
        Strip(before, caps_of(before)),
        Strip(after, caps_of(after)),
        blind_s=blind_s,
        speed_m_s=0.28,
        nozzle_m=NOZZLE_M,
        cell_m=CELL_M,
        origin_m=ORIGIN_M,
    )


def test_one_end_does_where_the_other_lies_in_its_own_trail():
    # The next frame begins 112 mm on, goes straight, turns back and crosses its own beginning.
    before = strip_of(((0.2, 0.9), (0.8, 0.9)))
    after = strip_of(((0.912, 0.9), (1.4, 0.9)), ((0.97, 0.55), (0.97, 1.25)))
    found = bridged(before, after)
    assert found.join is not None
    assert found.join.end.centre_m == pytest.approx([0.8, 0.9], abs=0.006)
    assert found.join.start.centre_m == pytest.approx([0.912, 0.9], abs=0.006)


def test_strips_that_only_cross_are_not_bridged():
    found = bridged(strip_of(((0.2, 0.9), (2.0, 0.9))), strip_of(((1.0, 0.2), (1.0, 1.7))))
    assert found.join is None
    assert found.fill is None


def test_nothing_is_bridged_when_the_shutter_was_not_closed():
    found = bridged(strip_of(((0.2, 0.9), (0.8, 0.9))), strip_of(((1.0, 1.2), (1.0, 1.7))), blind_s=0.0)
    assert found.join is None
    assert found.fill is None
