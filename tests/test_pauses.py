"""Floor between two frames: around decoys it is what laid ways tell, and in doubt where the robot turned."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from shapely import Point, Polygon, box

from coverage_lab.job import Bar
from coverage_lab.measures.body import Followed
from coverage_lab.pauses import around_decoys
from coverage_lab.room.grid import FloorGrid
from coverage_lab.room.plan import FloorPlan, floor_plan
from coverage_lab.room.room import Decoy, Room
from coverage_lab.room.track import LaidTrack, Pace, Track
from coverage_lab.series import Exposure
from coverage_lab.trails.series import Gap, Series

FLOOR, PUCK = box(0, 0, 2, 2), Point(1, 1).buffer(0.04)
BAR = Bar(0.2, 0, 0.2, 0.09, 0.0, 0.0)
Share = np.ndarray


@pytest.fixture(scope="module")
def plan() -> FloorPlan:
    return floor_plan(
        Room(FLOOR, decoys=(Decoy("puck", PUCK, 0.03),)),
        body_diameter_m=0.3,
        body_height_m=0.1,
        nozzle_m=0.2,
        forward_m=0.0,
        bar_height_m=0.09,
        camera_centre_m=(1, 1, 2.5),
        seen=None,
        grid=FloorGrid.over(FLOOR, 0.01),
    )


def series(plan: FloorPlan, filled_at: tuple[float, float]) -> Series:
    """Two frames; of the pause between them only a square of floor was filled in."""
    none = np.zeros(plan.grid.shape, np.uint16)
    filled = none.copy()
    filled[plan.grid.weights(Point(filled_at).buffer(0.05, cap_style="square")) > 0.5] = 2
    light = np.zeros(plan.grid.shape, np.float32)
    return Series(light, 1.0, none, none.astype(np.uint8), (), 0.0, 0.0, (Gap(None, True),), filled, (), (), (), None)


def followed(turn_rad: float, *, laid: bool = True) -> Followed:
    """Two frames' ways below the puck, the second of which begins 0.1 m farther on, turned."""
    x_m = np.array([0.5, 0.7, 0.9, 1.0, 1.1, 1.2])
    heading = np.where(np.arange(6) < 3, 0.0, turn_rad)
    joined = [True, True, turn_rad == 0, True, True]
    track = Track(
        np.arange(6.0), np.column_stack([x_m, np.full(6, 0.82)]), heading, np.repeat([0, 1], 3), np.array(joined), 0.02
    )
    known = np.full(6, laid)
    return Followed(LaidTrack(track, np.zeros((6, 2, 2)), known, Pace(0.25, 1.5)), (), 5.0)


def around(plan: FloorPlan, found: Followed | None, one: Series | None) -> tuple[Share, Share]:
    seen = plan.grid.weights(box(0.4, 0.72, 0.9, 0.92))
    passed = seen if one is None else np.maximum(seen, one.filled > 0)
    exposure = Exposure(np.zeros(plan.grid.shape, np.float32), 1.0, {}, series=one)
    return around_decoys((seen, passed), np.zeros(plan.grid.shape, np.float32), exposure, found, plan, BAR)


def at(plan: FloorPlan, plane: Share, x_m: float, y_m: float) -> float:
    row, col = np.rint(plan.grid.to_cell([[x_m, y_m]]))[0].astype(int)
    return float(plane[row, col])


def test_a_straight_pause_is_swept_and_what_was_filled_in_is_not(plan: FloorPlan):
    swept, doubtful = around(plan, followed(0.0), series(plan, (1.0, 0.94)))
    assert at(plan, swept, 0.95, 0.85) == 1
    assert at(plan, swept, 1.0, 0.96) == 0
    assert doubtful.max() == 0


def test_where_the_robot_turned_in_a_pause_it_is_in_doubt(plan: FloorPlan):
    swept, doubtful = around(plan, followed(0.6), series(plan, (1.0, 0.94)))
    assert at(plan, swept, 0.95, 0.85) == 1
    assert at(plan, doubtful, 0.95, 0.85) == 1
    assert at(plan, doubtful, 0.7, 0.85) == 0


def test_what_was_filled_in_between_other_frames_is_in_doubt(plan: FloorPlan):
    swept, doubtful = around(plan, followed(0.0, laid=False), series(plan, (1.0, 0.94)))
    assert at(plan, swept, 1.0, 0.96) == 1
    assert at(plan, doubtful, 1.0, 0.96) == 1


def test_far_from_decoys_all_stays_as_it_is(plan: FloorPlan):
    swept, doubtful = around(plan, followed(0.0), series(plan, (0.3, 1.7)))
    assert at(plan, swept, 0.3, 1.7) == 1
    assert doubtful.max() == 0


def test_one_exposure_has_no_floor_between_frames(plan: FloorPlan):
    swept, doubtful = around(plan, None, None)
    assert swept.sum() == pytest.approx(0.1 / 0.01**2, rel=0.01)
    assert doubtful.max() == 0


@pytest.mark.parametrize("known", [True, False])
def test_light_at_a_decoy_is_trail_where_a_laid_way_passed(plan: FloorPlan, known: bool):
    """Light in doubt below the puck: half of it lies under the first frame's way, no way passed over the other half."""
    shining = box(0.6, 0.86, 0.85, 1.0)
    found = followed(0.0)
    if not known:  # the second frame shows a strip there, and nobody knows its way
        laid = replace(found.laid, laid=found.laid.track.frame == 0)
        found = replace(found, laid=laid, strips=(Polygon(), shining))
    seen = np.maximum(plan.grid.weights(box(0.4, 0.72, 0.9, 0.86)), plan.grid.weights(shining))
    in_doubt = plan.grid.weights(shining)
    exposure = Exposure(seen, 1.0, {}, series=series(plan, (0.3, 1.7)))
    swept, doubtful = around_decoys((seen, seen), in_doubt, exposure, found, plan, BAR)
    assert (at(plan, swept, 0.8, 0.89), at(plan, doubtful, 0.8, 0.89)) == (1, 0)
    assert (at(plan, swept, 0.8, 0.97), at(plan, doubtful, 0.8, 0.97)) == ((0, 0) if known else (1, 1))
