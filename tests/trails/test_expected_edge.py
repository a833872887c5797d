from dataclasses import replace

import pytest

from coverage_lab.job import Bar
from coverage_lab.trails.edge import LEAST_U
from coverage_lab.trails.forecast import comb_resolved, expected_edge, trail_blur_m

CELL_M = 0.002
BAR = Bar(nozzle_m=0.21, led_count=14, lit_length_m=0.205, height_m=0.1, height_tolerance_m=0.002, forward_m=0.0)
FINE = replace(BAR, led_count=40)
TUBE = replace(BAR, led_count=0)


def test_blur_of_a_trail_grows_with_that_of_the_frame_and_with_the_pixel():
    assert trail_blur_m(0.0, 0.002) == pytest.approx(0.0022)
    assert trail_blur_m(1.1, 0.002) == pytest.approx(0.0022 * 2**0.5)
    assert trail_blur_m(1.1, 0.004) == pytest.approx(2 * trail_blur_m(1.1, 0.002))


def test_resolved_comb_leaves_the_least_doubt_there_is():
    for blur_m in (0.0025, 0.004):
        edge = expected_edge(BAR, CELL_M, blur_m, 0.002)
        assert edge.u_m == pytest.approx(LEAST_U * blur_m, rel=0.12)
        assert edge.transfer_u_m < 0.2 * edge.u_m


@pytest.mark.parametrize("bar", [FINE, TUBE], ids=["fine comb", "tube"])
def test_edge_without_tracks_is_known_less_well(bar: Bar):
    blur_m = 0.0035
    edge, resolved = expected_edge(bar, CELL_M, blur_m, 0.002), expected_edge(BAR, CELL_M, blur_m, 0.002)
    assert edge.u_m > 1.15 * resolved.u_m
    assert edge.transfer_u_m > 3 * resolved.transfer_u_m


def test_wider_blur_means_more_doubt():
    u_m = [expected_edge(BAR, CELL_M, blur_m, 0.002).u_m for blur_m in (0.002, 0.003, 0.0045)]
    assert u_m == sorted(u_m)


def test_comb_is_resolved_by_blur_and_by_cells():
    pitch_m = 0.205 / 13
    assert comb_resolved(BAR, pitch_m / 3.0, CELL_M)
    assert not comb_resolved(BAR, pitch_m / 2.8, CELL_M)
    assert not comb_resolved(BAR, 0.001, pitch_m / 2)
    assert not comb_resolved(TUBE, 0.001, CELL_M)
