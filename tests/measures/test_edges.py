from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rendered_nights import NIGHTS, load
from shapely import Point, Polygon, box
from shapely.affinity import rotate

from coverage_lab.measures.edges import MOST_ROWS, measure_edges, share_at, walls
from coverage_lab.room.grid import FloorGrid
from coverage_lab.room.plan import FloorPlan, floor_plan
from coverage_lab.room.room import Obstacle, Overhang, Room

FLOOR = box(0, 0, 4, 3)


def plan_of(room: Room, cell_m=0.005) -> FloorPlan:
    return floor_plan(
        room,
        body_diameter_m=0.3,
        body_height_m=0.1,
        nozzle_m=0.2,
        forward_m=0.0,
        bar_height_m=0.1,
        camera_centre_m=(2.0, 1.5, 2.8),
        seen=None,
        grid=FloorGrid.over(room.floor, cell_m),
    )


def edges_of(swept, room: Room, **kwargs):
    plan = plan_of(room, **kwargs)
    found = measure_edges(plan.grid.weights(swept), plan, body_diameter_m=0.3, step_m=0.01, edge_u_m=0.001)
    return {edge.along: edge for edge in found}


@pytest.mark.parametrize("night", NIGHTS)
def test_walls_of_rendered_nights(rendered: Path, night: str):
    known = load(rendered / night)
    found = measure_edges(
        known.swept_share, known.plan, body_diameter_m=known.body_diameter_m, step_m=0.01, edge_u_m=0.001
    )
    for edge, truth in zip(found, known.truth["edges"]["items"], strict=False):
        assert edge.bearing_deg == pytest.approx(truth["outward_bearing_deg"])
        assert edge.mean_mm.value == pytest.approx(truth["mean_mm"], abs=1)
        assert edge.p95_mm == pytest.approx(truth["p95_mm"], abs=1)
        assert edge.share_measured == pytest.approx(truth["share_measured"], abs=0.02)
    assert len(found) == len(known.truth["edges"]["items"]) + len(known.plan.room.obstacles)


def test_each_wall_has_its_own_distance_and_bearing():
    edges = edges_of(box(0.03, 0.05, 4 - 0.0712, 3 - 0.11), Room(FLOOR))
    wanted = {90.0: 71.2, 0.0: 110, 270.0: 30, 180.0: 50}
    assert {edge.bearing_deg for edge in edges.values()} == set(wanted)
    for edge in edges.values():
        assert edge.mean_mm.value == pytest.approx(wanted[edge.bearing_deg], abs=0.2)
        assert edge.p95_mm == pytest.approx(wanted[edge.bearing_deg], abs=0.2)
        assert edge.share_measured == 1


def test_uncertainty_holds_edge_and_wall():
    (first, *_) = edges_of(box(0.1, 0.1, 3.9, 2.9), Room(FLOOR, floor_tolerance_m=0.003)).values()
    assert first.mean_mm.u == pytest.approx(2.0)  # 1 mm and 3 mm / sqrt(3) in squares


def test_floor_swept_up_to_the_wall_has_distance_0():
    for edge in edges_of(box(-1, -1, 5, 4), Room(FLOOR)).values():
        assert edge.mean_mm.value == pytest.approx(0, abs=0.1)
        assert edge.mean_mm.interval_95[0] == 0


def test_distances_are_capped_at_one_body():
    for edge in edges_of(Point(2, 1.5).buffer(0.1), Room(FLOOR)).values():
        assert edge.mean_mm.value == pytest.approx(300) and edge.p95_mm == pytest.approx(300)


def test_corners_of_a_body_radius_do_not_count():
    swept = box(0.1, 0.1, 3.9, 2.9) - box(0, 0, 0.149, 0.149)
    for edge in edges_of(swept, Room(FLOOR)).values():
        assert edge.p95_mm == pytest.approx(100, abs=0.2)


def test_what_stands_within_a_body_radius_is_left_out():
    room = Room(FLOOR, obstacles=(Obstacle("post", box(2, 0, 2.5, 0.05), 0.05),))
    south = edges_of(box(0.1, 0.1, 3.9, 2.9), room)["wall 4"]
    assert south.bearing_deg == 180
    assert south.share_measured == pytest.approx(1 - 0.8 / 3.7, abs=0.01)
    assert south.mean_mm.value == pytest.approx(100, abs=0.2)


def test_rays_that_meet_hidden_floor_first_are_left_out():
    # The top hides the floor beneath it from 0.05 to 0.45 m off the south wall; swept floor begins at 0.1 m.
    room = Room(FLOOR, overhangs=(Overhang("top", box(1, 0.05, 2, 0.45), 0.1, 0.1001),))
    south = edges_of(box(0.1, 0.1, 3.9, 2.9), room)["wall 4"]
    assert south.share_measured == pytest.approx(1 - 1 / 3.7, abs=0.01)


def test_hidden_floor_behind_the_first_swept_floor_does_not_matter():
    room = Room(FLOOR, overhangs=(Overhang("top", box(1, 0.15, 2, 0.45), 0.1, 0.1001),))
    assert edges_of(box(0.1, 0.1, 3.9, 2.9), room)["wall 4"].share_measured == 1


def test_around_an_obstacle_the_distance_is_away_from_it():
    post = rotate(box(1.8, 1.3, 2.2, 1.7), 30)
    room = Room(FLOOR, obstacles=(Obstacle("post", post, 0.05, tolerance_m=0.0),))
    edge = edges_of(FLOOR - post.buffer(0.07), room)["post"]
    assert edge.bearing_deg is None
    assert edge.mean_mm.value == pytest.approx(70, abs=0.5)  # a tenth of a cell
    assert edge.share_measured == 1 and edge.mean_mm.u == pytest.approx(1.0)


def test_between_an_obstacle_and_a_near_wall_nothing_is_measured():
    chest = box(1, 0.1, 2, 0.6)  # 1 m x 0.5 m, its long side 0.1 m off the wall
    room = Room(FLOOR, obstacles=(Obstacle("chest", chest, 0.05),))
    edge = edges_of(FLOOR - chest.buffer(0.07), room)["chest"]
    assert edge.share_measured == pytest.approx((1 + 2 * 0.45) / 3, abs=0.01)
    assert edge.mean_mm.value == pytest.approx(70, abs=0.3)


def test_a_wall_too_short_to_measure_gives_none():
    niche = Polygon([(0, 0), (4, 0), (4, 3), (2, 3), (2, 3.2), (0, 3.2)])
    short = edges_of(box(0.1, 0.1, 3.9, 2.9), Room(niche))["wall 4"]
    assert (short.mean_mm, short.p95_mm, short.share_measured) == (None, None, 0.0)


def test_walls_go_counter_clockwise_from_the_first_vertex_however_the_room_is_wound():
    clockwise = Polygon([(4, 0), (0, 0), (0, 3), (4, 3)])
    starts = [tuple(start) for start, _ in walls(clockwise)]
    assert starts == [(4, 0), (4, 3), (0, 3), (0, 0)]


@settings(max_examples=15)
@given(st.floats(0, 360))
def test_turning_the_room_turns_the_bearing_and_nothing_else(turn_deg):
    floor = rotate(FLOOR, turn_deg, origin=(0, 0))
    swept = rotate(box(0.08, 0.08, 3.92, 2.92), turn_deg, origin=(0, 0))
    straight = edges_of(box(0.08, 0.08, 3.92, 2.92), Room(FLOOR))
    for name, edge in edges_of(swept, Room(floor)).items():
        turned = (straight[name].bearing_deg - turn_deg - edge.bearing_deg + 180) % 360 - 180
        assert turned == pytest.approx(0, abs=1e-6)
        assert edge.mean_mm.value == pytest.approx(80, abs=0.5)
        assert np.isclose(edge.share_measured, 1)


def test_more_points_than_a_picture_has_rows():
    grid = FloorGrid(0.0, 1.0, 100, 100, 0.01)
    share = np.linspace(0, 1, 10_000, dtype=np.float32).reshape(100, 100)
    points = np.random.default_rng(1).uniform(0.1, 0.9, (2 * MOST_ROWS + 1, 1, 2))
    assert share_at(share, points, grid)[-100:] == pytest.approx(share_at(share, points[-100:], grid))
