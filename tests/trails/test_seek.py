"""Seeking ways through a frame from where the robot was before it, or after."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from lit import PACE, driven, part, picture

from coverage_lab.job import Bar
from coverage_lab.trails.glow import Line
from coverage_lab.trails.seek import seek

BAR = Bar(0.2, 11, 0.19, 0.09, 0.0, 0.03)
LINE = Line.of(BAR, PACE)
TURNING = driven((0.4, 0.5), (1.3, 0.5), (1.3, 0.68), (0.5, 0.68), (0.6, 1.3))
CIRCLE = driven(*((1 + 0.26 * np.cos(a), 1 + 0.26 * np.sin(a)) for a in np.linspace(0, 5, 26)))


@pytest.mark.parametrize("poses", [TURNING, CIRCLE])
@pytest.mark.parametrize("backwards", [False, True])
@pytest.mark.parametrize("pause_s", [0.0, 0.4])
def test_a_way_is_found_from_either_end(poses: np.ndarray, backwards: bool, pause_s: float):
    begin_s, end_s = (0.0 if backwards else pause_s), float(poses[-1, 0]) - (pause_s if backwards else 0.0)
    seen = part(poses, begin_s, end_s)
    known = poses[-1 if backwards else 0, 1:]
    found = seek(picture(seen, BAR), known, pause_s, LINE, backwards=backwards)
    way, when = found[0]
    true = np.column_stack([np.interp(begin_s + when * (end_s - begin_s), poses[:, 0], poses[:, at]) for at in (1, 2)])
    assert np.hypot(*(way[:, :2] - true).T).max() < 0.1
    assert shapely.LineString(way[:, :2]).hausdorff_distance(shapely.LineString(seen[:, 1:3])) < 0.06
    assert (when[0], when[-1]) == (0, 1)


def test_ways_come_apart_and_the_best_first():
    found = seek(picture(TURNING, BAR), TURNING[0, 1:], 0.0, LINE)
    off_m = [shapely.LineString(way[:, :2]).hausdorff_distance(shapely.LineString(TURNING[:, 1:3])) for way, _ in found]
    assert len(found) == 2
    assert off_m[0] < 0.04
    assert np.abs(found[0][0] - found[1][0]).max() > 0.04


def test_a_way_does_not_stay_where_light_is_burnt():
    shown = picture(CIRCLE, BAR, burnt_from=1.3)
    way, _ = seek(shown, CIRCLE[0, 1:], 0.0, LINE)[0]
    assert shapely.LineString(way[:, :2]).hausdorff_distance(shapely.LineString(CIRCLE[:, 1:3])) < 0.06
