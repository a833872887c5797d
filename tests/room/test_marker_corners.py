from __future__ import annotations

import numpy as np
import pytest

from coverage_lab.room.room import Marker


def test_a_marker_that_is_not_turned_has_its_top_to_the_north():
    corners = Marker("apriltag_36h11", 3, (1.0, 2.0), 0.2, 0.0, z_m=0.01).corners_m
    assert corners == pytest.approx(np.array([[0.9, 2.1, 0.01], [1.1, 2.1, 0.01], [1.1, 1.9, 0.01], [0.9, 1.9, 0.01]]))


def test_a_quarter_turn_counter_clockwise_brings_the_top_edge_to_the_west():
    corners = Marker("apriltag_36h11", 3, (0.0, 0.0), 0.2, 90.0).corners_m
    assert corners[:2, 0] == pytest.approx([-0.1, -0.1])
    assert corners[0, 1] == pytest.approx(-0.1)
