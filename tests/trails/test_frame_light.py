"""The light of a frame as it is kept: small, in place, and told from what hides or reflects it."""

from __future__ import annotations

import numpy as np
import pytest
from shapely import Point, box

from coverage_lab.room.grid import FloorGrid
from coverage_lab.room.plan import FloorPlan, floor_plan
from coverage_lab.room.room import Decoy, Room
from coverage_lab.trails.frame_light import light_of, picture_of

CELL_M, ONCE = 0.004, 0.2
PUCK = Point(1.0, 1.0).buffer(0.04)


@pytest.fixture(scope="module")
def plan() -> FloorPlan:
    floor = box(0, 0, 2, 2)
    return floor_plan(
        Room(floor, decoys=(Decoy("puck", PUCK, 0.03),)),
        body_diameter_m=0.3,
        body_height_m=0.1,
        nozzle_m=0.2,
        forward_m=0.0,
        bar_height_m=0.09,
        camera_centre_m=(1, 1, 2.5),
        seen=None,
        grid=FloorGrid.over(floor, 0.01),
    )


def planes(bright: tuple[slice, slice], light: float = ONCE) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Light, strip and burnt share on cells of a floor of 2 by 2 m."""
    smooth, strip, burnt = (
        np.zeros((500, 500), np.float32),
        np.zeros((500, 500), np.uint8),
        np.zeros((500, 500), np.uint8),
    )
    smooth[bright], strip[bright] = light, 1
    return smooth, strip, burnt


def test_light_is_kept_around_its_strip_and_stays_in_place(plan: FloorPlan):
    smooth, strip, burnt = planes(np.s_[100:150, 200:300])  # x 0.8 to 1.2 m, y 1.4 to 1.6 m
    frame = light_of(smooth, strip, burnt, CELL_M, (0.0, 2.0))
    assert frame.cells.cell_m == pytest.approx(2 * CELL_M)
    assert frame.light.size < 0.1 * smooth.size
    shown = picture_of(frame, ONCE, 5.0, plan)
    x_m, y_m = shown.cells.middles_m
    lit = shown.passes > 0.5
    assert (x_m[lit].min(), x_m[lit].max()) == pytest.approx((0.804, 1.196), abs=1e-3)
    assert (y_m[lit].min(), y_m[lit].max()) == pytest.approx((1.404, 1.596), abs=1e-3)
    assert shown.passes[lit] == pytest.approx(1, abs=1e-3)
    assert shown.passes.sum() * shown.cells.cell_m**2 == pytest.approx(0.4 * 0.2, rel=0.01)
    assert (x_m.min(), y_m.max()) < (0.65, 1.78)  # dark floor around it counts, too


def test_a_frame_without_a_strip_has_no_light():
    smooth, strip, burnt = planes(np.s_[100:150, 200:300])
    assert light_of(smooth, 0 * strip, burnt, CELL_M, (0.0, 2.0)) is None


def test_at_decoys_and_walls_light_tells_nothing(plan: FloorPlan):
    smooth, strip, burnt = planes(np.s_[0:300, 200:300])  # up to the wall, and over the puck
    shown = picture_of(light_of(smooth, strip, burnt, CELL_M, (0.0, 2.0)), ONCE, 5.0, plan)
    x_m, y_m = shown.cells.middles_m
    away_m = np.hypot(x_m - 1, y_m - 1)
    assert not shown.told[away_m < 0.03].any()
    assert shown.told[(away_m > 0.07) & (np.abs(y_m - 2) > 0.02) & (y_m > 0.7)].all()
    assert not shown.told[np.abs(y_m - 2) < 0.008].any()
    assert shown.told[y_m > 2.02].all()  # beyond a wall no bar shines
    assert shown.passes[y_m > 2.02].max() == 0


def test_burnt_light_is_at_least_what_it_shows(plan: FloorPlan):
    smooth, strip, burnt = planes(np.s_[100:150, 200:300])
    burnt[100:150, 200:220], burnt[100:150, 220:240] = 255, 20
    smooth[100:150, 280:300] = 5 * ONCE
    shown = picture_of(light_of(smooth, strip, burnt, CELL_M, (0.0, 2.0)), ONCE, 5.0, plan)
    x_m, y_m = shown.cells.middles_m
    inside = np.abs(y_m - 1.5) < 0.09
    assert shown.burnt[inside & (x_m > 0.81) & (x_m < 0.87)].all()
    assert not shown.burnt[inside & (x_m > 0.89) & (x_m < 1.11)].any()
    assert shown.burnt[inside & (x_m > 1.13) & (x_m < 1.19)].all()
