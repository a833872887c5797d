"""One simulated drive, cut into few long frames and into many short ones: passes and distance must not notice."""

from __future__ import annotations

from pathlib import Path

import pytest
from test_shutter_gaps import Cut, photographed

from coverage_lab.job import Quantity
from coverage_lab.simulate.series import Shutter

FRAMES = (10, 40, 160)


@pytest.fixture(scope="module")
def cuts(tmp_path_factory: pytest.TempPathFactory) -> dict[int, Cut]:
    folder: Path = tmp_path_factory.mktemp("cuts")
    return {frames: photographed(folder / f"{frames}", Shutter(frames)) for frames in FRAMES}


def repeat_ratio(cut: Cut) -> Quantity:
    assert cut.measures.passes is not None and cut.measures.passes.repeat_ratio is not None
    return cut.measures.passes.repeat_ratio


def test_the_repeat_ratio_does_not_depend_on_the_number_of_frames(cuts: dict[int, Cut]):
    found = [repeat_ratio(cut).value for cut in cuts.values()]
    assert max(found) / min(found) < 1.03


def test_neither_does_the_distance(cuts: dict[int, Cut]):
    found = [cut.measures.timing.distance_m.value for cut in cuts.values()]
    assert max(found) / min(found) < 1.03
    for way_m, cut in zip(found, cuts.values(), strict=True):
        assert way_m == pytest.approx(cut.truth["path_length_m"], rel=0.05)


@pytest.mark.parametrize("frames", FRAMES)
def test_the_interval_holds_the_true_repeat_ratio(cuts: dict[int, Cut], frames: int):
    ratio, true = repeat_ratio(cuts[frames]), cuts[frames].truth["repeat_ratio"]["value"]
    assert ratio.value == pytest.approx(true, rel=0.06)
    low, high = ratio.interval_95
    assert low <= true <= high


def test_short_frames_grow_to_the_same_coverage(cuts: dict[int, Cut]):
    assert cuts[160].percent.value == pytest.approx(cuts[10].percent.value, abs=0.3)
