"""What a gauge study says of made-up exposures, and what it must not say."""

from __future__ import annotations

from itertools import product
from math import sqrt

import numpy as np
import pytest

from coverage_lab.compare.study import Exposed, Study, study
from coverage_lab.job import Quantity

ROBOTS = ("heron", "wren", "plover", "dunlin")


def exposures(robots=3, trails=3, set_ups=2, times=2, *, sds=(4, 1, 0.2, 0.1), seed=1) -> list[Exposed]:
    """Exposures of every trail under every set-up; `sds` of robot, repeat, set-up and exposure."""
    rng = np.random.default_rng(seed)
    made = []
    moved = rng.normal(0, sds[2], set_ups)
    for robot in ROBOTS[:robots]:
        robot_mean = rng.normal(80, sds[0])
        for trail in range(trails):
            truth = rng.normal(robot_mean, sds[1])
            for set_up, time in product(range(set_ups), range(times)):
                value = truth + moved[set_up] + rng.normal(0, sds[3])
                key = f"{robot}-{trail}-{set_up}-{time}"
                stated = {"percent": Quantity(value, 0.25, (value - 0.5, value + 0.5))}
                made.append(Exposed(key, robot, f"{robot} {trail}", f"lights {set_up}", key, stated))
    return made


def of(exposed: list[Exposed]) -> Study:
    found = study("percent", exposed)
    assert found is not None
    return found


def names(found: Study) -> list[str]:
    return [source.name for source in found.sources]


def test_all_shares_are_told_from_a_full_design():
    found = of(exposures())
    assert names(found)[:3] == ["robot", "repeat", "set-up"]
    assert sum(source.percent_of_variance for source in found.sources) == pytest.approx(100)
    assert (found.exposures, found.trails, found.robots, found.set_ups) == (36, 9, 3, 2)
    assert found.cannot_tell == ()
    assert found.stated_u == pytest.approx(0.25)
    spread = {source.name: source.sd for source in found.sources}
    assert found.instrument.sd == pytest.approx(sqrt(sum(spread[n] ** 2 for n in names(found)[2:])))
    assert found.instrument.categories == int(
        1.41 * sqrt(spread["robot"] ** 2 + spread["repeat"] ** 2) / found.instrument.sd
    )


def test_without_repeated_exposures_nothing_is_said_of_the_instrument():
    found = of(exposures(set_ups=1, times=1))
    assert found.instrument is None
    assert names(found) == ["robot", "repeat with exposure"]
    assert "no trail was exposed twice" in found.cannot_tell[0]


def test_one_trail_gives_the_instrument_alone():
    exposed = exposures(1, 1, 1, 8)
    found = of(exposed)
    values = [one.values["percent"].value for one in exposed]
    assert found.instrument.sd == pytest.approx(np.std(values, ddof=1))
    assert found.instrument.categories is None
    assert [source.percent_of_variance for source in found.sources] == [None]
    assert [note.split(":")[0] for note in found.cannot_tell] == ["The set-up", "The robots", "The repeats"]


def test_one_lights_on_frame_hides_what_the_camera_adds():
    found = of(exposures(set_ups=1, times=3))
    assert names(found) == ["robot", "repeat", "exposure"]
    assert [note.split(":")[0] for note in found.cannot_tell] == ["The set-up"]


def test_one_trail_a_robot_leaves_robots_and_repeats_together():
    found = of(exposures(3, 1, 1, 3))
    assert names(found) == ["robot with repeat", "exposure"]
    assert any(note.startswith("The repeats") for note in found.cannot_tell)


def test_one_picture_with_several_lights_on_frames_says_nothing_of_light():
    exposed = [Exposed(one.run, one.robot, one.trail, one.set_up, one.trail, one.values) for one in exposures(times=1)]
    assert [note.split(":")[0] for note in of(exposed).cannot_tell] == ["The exposure"]


def test_a_missing_cell_leaves_set_up_and_exposure_together():
    found = of(exposures()[:-1])
    assert names(found) == ["robot", "repeat", "exposure"]
    assert [note.split(":")[0] for note in found.cannot_tell] == ["Set-up and exposure apart"]


def test_order_of_exposures_does_not_matter():
    exposed = exposures()
    mixed = [exposed[n] for n in np.random.default_rng(3).permutation(len(exposed))]
    assert of(mixed).instrument.sd == pytest.approx(of(exposed).instrument.sd, rel=1e-9)


def test_an_instrument_that_never_differs_has_no_number_of_categories():
    found = of(exposures(set_ups=2, times=2, sds=(4, 1, 0, 0)))
    assert found.instrument.sd == 0
    assert found.instrument.two_exposures_within == 0
    assert found.instrument.categories is None


def test_nothing_to_study():
    assert study("percent", exposures(1, 1, 1, 1)) is None
    assert study("score", exposures()) is None


@pytest.mark.parametrize(("set_ups", "times", "truth"), [(1, 3, 0.1), (3, 2, sqrt(0.05)), (6, 2, sqrt(0.05))])
def test_interval_holds_the_true_spread(set_ups: int, times: int, truth: float):
    hits = []
    for seed in range(400):
        low, high = of(exposures(2, 2, set_ups, times, seed=seed)).instrument.interval_95
        hits.append(low <= truth <= high)
    assert 0.92 <= np.mean(hits) <= 0.98


def test_two_more_exposures_lie_so_near():
    rng = np.random.default_rng(9)
    near = []
    for seed in range(400):
        own = of(exposures(1, 1, 1, 5, seed=seed)).instrument
        near.append(abs(rng.normal(0, 0.1) - rng.normal(0, 0.1)) <= own.two_exposures_within)
    assert 0.92 <= np.mean(near) <= 0.98
