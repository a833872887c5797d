from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from rendered_nights import NIGHTS, load
from shapely import Point, Polygon, box
from shapely.affinity import rotate

from coverage_lab.measures.budget import Nodes, Sources
from coverage_lab.measures.pockets import find_pockets
from coverage_lab.room.grid import FloorGrid
from coverage_lab.room.plan import floor_plan
from coverage_lab.room.room import Obstacle, Room

FLOOR = box(0, 0, 3, 2)
BARE = Room(FLOOR)


def pockets_of(missed, room=BARE, *, cell_m=0.002, smallest_m=0.03, edge_u_m=0.0005):
    plan = floor_plan(
        room,
        body_diameter_m=0.3,
        body_height_m=0.1,
        nozzle_m=0.2,
        forward_m=0.0,
        bar_height_m=0.1,
        camera_centre_m=(1.5, 1.0, 2.8),
        seen=None,
        grid=FloorGrid.over(room.floor, cell_m),
    )
    swept = 1 - plan.grid.weights(missed)
    sources = sources_of(plan, edge_u_m=edge_u_m)
    return find_pockets(swept, plan, smallest_m=smallest_m, body_diameter_m=0.3, sources=sources)


def sources_of(plan, *, edge_u_m, movers=None):
    return Sources(edge_u_m, 0.0, np.zeros(plan.grid.shape, np.float32), Nodes.over(plan.room.floor), movers or {})


@pytest.mark.parametrize("night", NIGHTS)
def test_pockets_of_rendered_nights(rendered: Path, night: str):
    known = load(rendered / night)
    found = find_pockets(
        known.swept_share,
        known.plan,
        smallest_m=0.030,
        body_diameter_m=known.body_diameter_m,
        sources=sources_of(known.plan, edge_u_m=0.0005),
    )
    true = [pocket for pocket in known.truth["pockets"]["items"] if pocket["diameter_mm"] >= 45]
    for pocket in true:
        match = min(found, key=lambda one: np.hypot(*np.subtract(one.centroid_m, pocket["centroid_m"])))
        assert match.diameter_mm.value == pytest.approx(pocket["diameter_mm"], abs=1)
        assert match.area_cm2.value == pytest.approx(1e4 * pocket["area_m2"], rel=0.02)
        assert match.centroid_m == pytest.approx(pocket["centroid_m"], abs=0.002)
    assert len(found) == len(known.truth["pockets"]["items"])


@settings(max_examples=20)
@given(st.floats(0.02, 0.15), st.floats(1.2, 1.8), st.floats(0.8, 1.2))
def test_a_round_pocket_has_its_diameter_area_and_place(radius_m, x_m, y_m):
    (pocket,) = pockets_of(Point(x_m, y_m).buffer(radius_m, quad_segs=128))
    assert pocket.diameter_mm.value == pytest.approx(2000 * radius_m, abs=1)
    assert pocket.area_cm2.value == pytest.approx(1e4 * np.pi * radius_m**2, rel=0.02)
    assert pocket.pole_m == pytest.approx((x_m, y_m), abs=0.001)
    assert pocket.centroid_m == pytest.approx((x_m, y_m), abs=0.0005)
    assert (pocket.place, pocket.near, pocket.touches_hidden) == ("open floor", None, False)


@settings(max_examples=20)
@given(st.floats(0, 90), st.floats(0.05, 0.2), st.floats(0.05, 0.4))
def test_a_turned_rectangle_keeps_its_size_and_loses_its_corners_to_the_disc(turn_deg, width_m, more_m):
    length_m = width_m + more_m
    shape = rotate(box(1.5 - length_m / 2, 1 - width_m / 2, 1.5 + length_m / 2, 1 + width_m / 2), turn_deg)
    (pocket,) = pockets_of(shape)
    assert pocket.diameter_mm.value == pytest.approx(1000 * width_m, abs=1)
    rounded_m2 = width_m * length_m - (4 - np.pi) * 0.015**2
    assert pocket.area_cm2.value == pytest.approx(1e4 * rounded_m2, rel=0.01)


@settings(max_examples=15)
@given(st.integers(0, 2**31))
def test_pockets_are_the_parts_of_the_opening(seed):
    rng = np.random.default_rng(seed)
    missed = shapely.union_all(
        [
            rotate(box(x, y, x + a, y + b), t)
            for x, y, a, b, t in rng.uniform((0.3, 0.3, 0.01, 0.01, 0), (2, 1.2, 0.6, 0.12, 180), (8, 5))
        ]
    )
    exact = [part for part in shapely.get_parts(missed.buffer(-0.015).buffer(0.015)) if part.area > 0]
    wanted = [part for part in exact if 2 * shapely.maximum_inscribed_circle(part, tolerance=1e-4).length > 0.033]
    found = pockets_of(missed)
    for part in wanted:
        match = min(found, key=lambda one: np.hypot(*np.subtract(one.centroid_m, part.centroid.coords[0])))
        # Two parts that almost touch may be one at this cell size, so areas may only differ by the edge.
        assert match.area_cm2.value == pytest.approx(1e4 * part.area, abs=1e4 * part.length * 0.001)


def test_what_the_smallest_disc_does_not_fit_into_is_no_pocket():
    assert pockets_of(box(1, 1, 2, 1.026)) == ()
    assert len(pockets_of(box(1, 1, 2, 1.034))) == 1
    assert pockets_of(Point(1, 1).buffer(0.0), smallest_m=0.03) == ()


def test_a_narrow_neck_parts_two_pockets_and_the_larger_circle_comes_first():
    shape = shapely.union_all([box(1, 0.9, 1.1, 1.0), box(1.1, 0.94, 1.4, 0.96), box(1.4, 0.8, 1.6, 1.0)])
    first, second = pockets_of(shape)
    assert (first.id, second.id) == (1, 2)
    assert first.diameter_mm.value == pytest.approx(200, abs=0.6)
    assert second.diameter_mm.value == pytest.approx(100, abs=0.6)


def test_swept_floor_inside_a_pocket_is_a_hole():
    (ring,) = pockets_of(Point(1.5, 1).buffer(0.2) - Point(1.5, 1).buffer(0.08))
    assert ring.area_cm2.value == pytest.approx(1e4 * np.pi * (0.04 - 0.0064), rel=0.01)
    assert ring.diameter_mm.value == pytest.approx(120, abs=1)


def test_pockets_beside_each_other_keep_apart():
    two = pockets_of(box(1.0, 0.9, 1.1, 1.0).union(box(1.104, 0.9, 1.204, 1.0)))
    assert len(two) == 2


def test_the_fringe_that_no_nozzle_reaches_is_no_pocket():
    assert pockets_of(FLOOR - box(0.05, 0.05, 2.95, 1.95)) == ()


@pytest.mark.parametrize(
    ("missed", "place", "near"),
    [
        (box(1.4, 0, 1.6, 0.2), "along a wall", "wall 4"),
        (box(2.8, 0.9, 3.0, 1.0), "along a wall", "wall 1"),
        (box(2.8, 1.7, 3.0, 2.0), "corner", None),
        (box(0, 0, 0.25, 0.25), "corner", None),
        (box(1.6, 0.9, 1.75, 1.1), "at an obstacle", "post"),
        (box(2.1, 0.6, 2.2, 0.7), "open floor", None),
    ],
)
def test_place(missed: Polygon, place: str, near: str | None):
    room = Room(FLOOR, obstacles=(Obstacle("post", box(1.45, 0.95, 1.55, 1.05), 0.05),))
    (pocket,) = pockets_of(missed, room)
    assert pocket.place == place
    assert near is None or pocket.near == near


def test_a_pocket_beside_hidden_floor_may_go_on_there():
    room = Room(FLOOR, obstacles=(Obstacle("chest", box(2.0, 0.8, 2.3, 1.2), 0.6),))
    east, west = (pockets_of(shape, room) for shape in (box(2.3, 0.9, 2.75, 1.1), box(1.7, 0.9, 1.9, 1.1)))
    assert [pocket.touches_hidden for pocket in east] == [True]
    assert [pocket.touches_hidden for pocket in west] == [False]


def test_uncertainty_is_that_of_the_edge():
    (pocket,) = pockets_of(Point(1.5, 1).buffer(0.1), edge_u_m=0.001)
    assert pocket.diameter_mm.u == pytest.approx(2.0)
    assert pocket.area_cm2.u == pytest.approx(1e4 * 2 * np.pi * 0.1 * 0.001, rel=0.02)


def test_islands_in_a_pocket_count_too_even_if_its_largest_circle_touches_nothing_else():
    islands = [Point(1.5 + right, 1 + up).buffer(0.02) for right in (-0.2, 0.2) for up in (-0.2, 0.2)]
    (pocket,) = pockets_of(box(1, 0.5, 2, 1.5) - shapely.union_all(islands), edge_u_m=0.001)
    assert pocket.diameter_mm.value == pytest.approx(2000 * (np.hypot(0.2, 0.2) - 0.02), abs=1)
    assert pocket.pole_m == pytest.approx((1.5, 1.0), abs=0.001)
    assert pocket.diameter_mm.u == pytest.approx(2.0)
    assert pocket.area_cm2.u == pytest.approx(1e4 * (4 + 4 * 2 * np.pi * 0.02) * 0.001, rel=0.04)


@given(long_m=st.floats(0.5, 1.6), wide_m=st.floats(0.08, 0.2), blunt_m=st.floats(0.0, 0.02), turn=st.floats(0, 90))
@settings(max_examples=12, deadline=None)
def test_uncertainty_of_a_tapering_pocket_is_that_of_its_end_too(
    long_m: float, wide_m: float, blunt_m: float, turn: float
):
    """Brute force: the whole edge moved outward by one standard uncertainty, and the same inward."""
    wedge = Polygon([(0, -wide_m / 2), (long_m, -blunt_m / 2), (long_m, blunt_m / 2), (0, wide_m / 2)])
    wedge = shapely.affinity.translate(rotate(wedge, turn, origin="centroid"), 1.5 - long_m / 2, 1.0)
    (pocket,) = pockets_of(wedge, edge_u_m=0.001)
    wider, narrower = (
        pockets_of(wedge.buffer(by_m, join_style="mitre"), edge_u_m=0.001)[0].area_cm2.value for by_m in (0.001, -0.001)
    )
    assert pocket.area_cm2.u == pytest.approx((wider - narrower) / 2, rel=0.06)


def test_outline_is_a_closed_ring_around_the_pocket():
    (pocket,) = pockets_of(Point(1.5, 1).buffer(0.1))
    assert pocket.outline_m[0] == pocket.outline_m[-1]
    assert 1e4 * Polygon(pocket.outline_m).area == pytest.approx(pocket.area_cm2.value)


@pytest.mark.parametrize("cell_m", [0.001, 0.002, 0.004])
def test_size_does_not_hang_on_the_cell(cell_m):
    (pocket,) = pockets_of(Point(1.5, 1.0003).buffer(0.0411, quad_segs=128), cell_m=cell_m)
    assert pocket.diameter_mm.value == pytest.approx(82.2, abs=0.5 + 150 * cell_m)
    assert pocket.area_cm2.value == pytest.approx(1e4 * np.pi * 0.0411**2, rel=0.01)
