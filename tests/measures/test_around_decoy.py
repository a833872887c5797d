"""Swept floor around a decoy, on polygons and against shapely."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from rendered_nights import load
from shapely import Point, Polygon, affinity, box

from coverage_lab.measures.around_decoy import AROUND_M, RINGS_MM, clearance, profile, ring, swept_around
from coverage_lab.room.approach import Approach, approach_of
from coverage_lab.room.grid import FloorGrid
from coverage_lab.room.plan import FloorPlan, floor_plan
from coverage_lab.room.room import Area, Decoy, Obstacle, Room

PEN = box(0, 0, 2.1, 1.9)
ROUND = Point(1, 1).buffer(0.04, quad_segs=32)
ALL_AROUND = Approach(360, 0.0)


def plan_of(*decoys: Decoy, obstacles: tuple[Obstacle, ...] = ()) -> FloorPlan:
    return floor_plan(
        Room(PEN, decoys=decoys, obstacles=obstacles),
        body_diameter_m=0.3,
        body_height_m=0.1,
        nozzle_m=0.2,
        forward_m=0.0,
        bar_height_m=0.09,
        camera_centre_m=(1.05, 0.95, 2.5),
        seen=None,
        grid=FloorGrid.over(PEN, 0.002),
    )


def test_outline_of_cells_is_that_of_the_polygon():
    plan = plan_of(Decoy("puck", ROUND, 0.02))
    swept = PEN.difference(affinity.rotate(box(0.85, 0.83, 1.2, 1.22), 17))
    found = swept_around(plan.grid.weights(swept), plan.grid, ROUND)
    assert shapely.hausdorff_distance(found, swept.intersection(box(*found.bounds))) < 0.0015
    assert clearance(ROUND, found).distance_m == pytest.approx(swept.distance(ROUND), abs=0.0003)


@settings(max_examples=30)
@given(
    st.floats(0.3, 1.8),
    st.floats(0.3, 1.6),
    st.floats(0.015, 0.06),
    st.floats(0, 180),
    st.floats(0.02, 0.2),
)
def test_clearance_on_cells_is_shapelys_distance(x_m: float, y_m: float, half_m: float, turn: float, gap_m: float):
    footprint = affinity.rotate(box(x_m - half_m, y_m - 0.01, x_m + half_m, y_m + 0.01), turn)
    swept = PEN.difference(footprint.buffer(gap_m, quad_segs=32))
    grid = FloorGrid.over(PEN, 0.002)
    found = clearance(footprint, swept_around(grid.weights(swept), grid, footprint))
    assert found is not None
    assert found.distance_m == pytest.approx(swept.distance(footprint), abs=0.0005)
    assert Point(found.on_footprint_m).distance(footprint) < 1e-9
    assert Point(found.on_footprint_m).distance(Point(found.on_swept_m)) == pytest.approx(found.distance_m, abs=1e-9)


@pytest.mark.parametrize(
    ("swept", "depth_m"),
    [
        (box(0, 0, 0.98, 1.9), 0.02),  # as deep as its edge reaches into the disc
        (box(0, 0, 1.0, 1.9), 0.04),  # to the middle
        (PEN, 0.04),  # all of it
        (Point(1.0, 1.0).buffer(0.01), 0.04),
        (Point(1.02, 1.0).buffer(0.01), 0.03),
    ],
)
def test_inside_the_footprint_it_counts_below_zero(swept: Area, depth_m: float):
    found = clearance(ROUND, swept)
    assert found is not None
    assert found.distance_m == pytest.approx(-depth_m, abs=2e-4)
    assert swept.buffer(1e-4).covers(Point(found.on_swept_m))


def test_nothing_swept_has_no_clearance():
    grid = FloorGrid.over(PEN, 0.002)
    far = grid.weights(box(0, 0, 0.2, 0.2))
    assert clearance(ROUND, swept_around(far, grid, ROUND)) is None
    assert all(away is None for _, away in profile(ROUND, Polygon(), ALL_AROUND))


def test_profile_of_a_ring_is_its_width():
    swept = PEN.difference(ROUND.buffer(0.08, quad_segs=64))
    steps = profile(ROUND, swept, ALL_AROUND)
    assert [bearing for bearing, _ in steps] == [2.5 + 5 * number for number in range(72)]
    assert [away for _, away in steps] == [pytest.approx(0.08, abs=2e-4)] * 72


def test_profile_looks_only_where_it_can_be_approached():
    footprint = Point(1, 1.85).buffer(0.03)
    approach = approach_of(footprint, PEN)
    steps = profile(footprint, box(1.2, 0, 2.1, 1.9), approach)  # to the east
    assert [bearing for bearing, _ in steps] == [92.5 + 5 * number for number in range(36)]
    assert steps[0][1] == pytest.approx(0.17, abs=1e-3)
    assert all(away is None for bearing, away in steps if bearing > 180)


@settings(max_examples=25)
@given(st.floats(0.3, 1.7), st.floats(0.3, 1.5), st.floats(0.05, 0.3), st.floats(0, 360))
def test_profile_is_the_distance_in_each_wedge(x_m: float, y_m: float, half_m: float, turn: float):
    swept = affinity.rotate(box(x_m - half_m, y_m - 0.1, x_m + half_m, y_m + 0.1), turn).intersection(PEN)
    for bearing, away in profile(ROUND, swept, ALL_AROUND):
        angle = np.deg2rad(np.linspace(bearing - 2.5, bearing + 2.5, 5))
        rim = np.column_stack([1 + 3 * np.sin(angle), 1 + 3 * np.cos(angle)])
        part = swept.intersection(Polygon([(1, 1), *rim]))
        if part.area < 2e-6:
            continue
        expected = part.distance(ROUND)
        assert away == (None if expected > AROUND_M else pytest.approx(expected, abs=1e-9))


def test_rings_are_clipped_to_the_pen_and_leave_out_what_else_stands_there():
    puck = Decoy("puck", Point(0.06, 0.06).buffer(0.03, quad_segs=32), 0.02)
    other = Decoy("roll", box(0.12, 0.02, 0.2, 0.06), 0.02)
    bin_ = Obstacle("bin", box(0.0, 0.13, 0.05, 0.2), 0.3)
    plan = plan_of(puck, other, obstacles=(bin_,))
    for width_m in (0.05, 0.1, 0.15):
        region = puck.footprint.buffer(width_m, quad_segs=64).intersection(PEN)
        for thing in (puck, other, bin_):
            region = region.difference(thing.footprint)
        region = region.difference(plan.hidden)
        assert ring(puck, width_m, plan).sum() * plan.grid.cell_m2 == pytest.approx(region.area, rel=1e-4)


def test_rendered_pen_from_its_true_swept_floor(rendered):
    night = load(rendered / "pen")
    for decoy, true in zip(night.plan.room.decoys, night.truth["avoidance"]["decoys"], strict=True):
        found = clearance(decoy.footprint, swept_around(night.swept_share, night.plan.grid, decoy.footprint))
        assert found is not None
        assert max(found.distance_m, 0) == pytest.approx(true["nearest_distance_to_swept_m"], abs=0.0006)
        shares = [ring(decoy, width / 1000, night.plan) for width in RINGS_MM]
        assert shares[1].sum() * night.plan.grid.cell_m2 == pytest.approx(true["ring_100mm_area_m2"], rel=1e-3)
        swept = float((night.swept_share * shares[1]).sum() / shares[1].sum())
        assert swept == pytest.approx(true["ring_100mm_swept_fraction"], abs=0.003)
