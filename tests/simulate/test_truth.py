import json
from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from looking import BAR, camera_over, empty_room, straight_pass
from shapely import affinity

from coverage_lab.job import Bar, Robot
from coverage_lab.room.room import Obstacle
from coverage_lab.simulate.truth import run_truth, swept_area


def test_a_straight_pass_sweeps_a_rectangle():
    swept = swept_area(straight_pass((0.3, 0.4), (1.3, 0.4)), BAR)
    assert swept.symmetric_difference(shapely.box(0.3, 0.29, 1.3, 0.51)).area < 1e-9


def test_a_full_turn_sweeps_a_disc():
    turn = np.deg2rad(np.arange(0, 361, 1.0))
    poses = np.column_stack([turn, np.ones_like(turn), np.ones_like(turn), turn])
    assert swept_area(poses, BAR).area == pytest.approx(np.pi * 0.11**2, rel=1e-3)


def test_a_bar_ahead_of_the_turning_centre_sweeps_a_ring():
    turn = np.deg2rad(np.arange(0, 361, 0.5))
    poses = np.column_stack([turn, np.ones_like(turn), np.ones_like(turn), turn])
    swept = swept_area(poses, replace(BAR, forward_m=0.2))
    ring = np.pi * (0.2**2 + 0.11**2) - np.pi * 0.2**2  # from the bar's middle out to its ends
    assert swept.area == pytest.approx(ring, rel=2e-3)


@settings(max_examples=20, deadline=None)
@given(st.floats(-np.pi, np.pi), st.lists(st.tuples(st.floats(0, 2), st.floats(0, 1)), min_size=3, max_size=6))
def test_a_turned_drive_sweeps_the_turned_floor(angle, points):
    points = np.array(points)
    if np.hypot(*np.diff(points, axis=0).T).min() < 0.01:
        return
    poses = straight_pass(*points)
    turned = straight_pass(*(points @ [[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]]))
    expected = affinity.rotate(swept_area(poses, BAR), angle, origin=(0, 0), use_radians=True)
    assert swept_area(turned, BAR).symmetric_difference(expected).area < 2e-4


def test_dense_and_sparse_poses_sweep_the_same():
    poses = straight_pass((0.3, 0.4), (1.3, 0.4), (1.3, 1.2))
    assert swept_area(poses[::3], BAR).symmetric_difference(swept_area(poses, BAR)).area < 2e-3


def test_a_robot_that_does_not_move_is_refused():
    with pytest.raises(ValueError, match="does not move"):
        swept_area(np.zeros((1, 4)), BAR)


def test_shares_of_floor_follow_from_areas():
    room = replace(empty_room(), obstacles=(Obstacle("cube", shapely.box(1.5, 0.5, 1.7, 0.7), 0.4),))
    robot = Robot("heron", BAR, 0.33, 0.098)
    truth = run_truth(straight_pass((0.3, 1.0), (1.7, 1.0)), robot, room, camera_over())
    assert truth["free_area_m2"] == pytest.approx(2.96)
    assert truth["coverage_percent"] == pytest.approx(100 * 1.4 * 0.22 / 2.96, abs=1e-3)
    assert truth["path_length_m"] == pytest.approx(1.4)
    assert truth["duration_s"] == pytest.approx(1.4 / 0.25)
    hidden = truth["hidden_from_camera"]["hidden_free_area_m2"]
    assert 0.005 < hidden < 0.05
    assert truth["hidden_from_camera"]["coverage_percent_of_visible_free_floor"] > truth["coverage_percent"]
    assert shapely.from_wkt(truth["swept_wkt"]).area == pytest.approx(1.4 * 0.22, rel=1e-4)


@pytest.mark.parametrize("name", ["lanes", "faint", "pen"])
def test_the_rendered_nights_truth_is_met(rendered, name):
    told = json.loads((rendered / name / "truth.json").read_text(encoding="utf-8"))
    poses = np.load(rendered / name / "poses.npz")["poses"]
    bar = told["bar"]
    swept = swept_area(poses, Bar(bar["length_m"], 2, bar["length_m"], bar["height_m"], 0.002, bar["forward_offset_m"]))
    assert swept.area == pytest.approx(told["truth"]["swept_area_m2"], rel=1e-4)
    assert swept.symmetric_difference(shapely.from_wkt(told["truth"]["swept_wkt"])).area < 2e-3
