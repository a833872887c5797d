"""The main job on nights rendered by a physical light simulation, against their exact truth."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache
from math import dist
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from coverage_lab import MeasuredRun, SetUp, measure, read_night, read_runs, set_up
from coverage_lab.camera.model import Camera, Lens
from coverage_lab.files.measures import measures_to_json, to_bytes
from coverage_lab.job import Night
from coverage_lab.measures.coverage import covered_percent
from coverage_lab.measures.values import Coverage, Measures, Pocket

# Points of coverage that the result may be off; more where one pass alone is twice full scale.
COVERAGE_POINTS = {"lanes": 0.5, "bounce": 0.5, "clipped": 1.0, "faint": 0.5, "pen": 0.5, "camera-look": 0.5}
REACHABLE_POINTS = 0.7
PLAN_ERROR_M = {"lens": 0.002, "no lens": 0.005}
# What a good frame gives reason to remark.
REMARKS = {
    "lanes": {"hidden-floor"},
    "bounce": {"hidden-floor", "marker-missing"},  # one of its markers is covered by furniture
    "clipped": {"hidden-floor", "saturated"},  # one pass is 2.5 times full scale
    "faint": {"hidden-floor"},
    "pen": {"saturated"},
    "camera-look": {"hidden-floor", "marker-missing"},
}

Change = Callable[[Night], Night]


@dataclass(frozen=True)
class Case:
    name: str
    setting: SetUp
    run: MeasuredRun
    facts: dict[str, Any]

    @property
    def measures(self) -> Measures:
        return self.run.measures

    @property
    def coverage(self) -> Coverage:
        assert self.measures.coverage is not None
        return self.measures.coverage

    @property
    def truth(self) -> dict[str, Any]:
        return self.facts["truth"]

    @property
    def true_percent(self) -> float:
        return self.truth["hidden_from_camera"]["coverage_percent_of_visible_free_floor"]

    @property
    def true_reachable_percent(self) -> float:
        return self.truth["reachable"]["coverage_percent_of_reachable_visible"]


def as_it_is(night: Night) -> Night:
    return night


def without_lens(night: Night) -> Night:
    return replace(night, lens=None)


def on_cells_of(cell_m: float) -> Change:
    return lambda night: replace(night, settings=replace(night.settings, cell_m=cell_m))


def on_the_floor(night: Night) -> Night:
    """The night as if the bars lay on the floor: no parallax."""
    robots = {
        name: replace(robot, bar=replace(robot.bar, height_m=0.0, height_tolerance_m=0.0))
        for name, robot in night.robots.items()
    }
    return replace(night, robots=robots)


def measured(folder: Path, change: Change = as_it_is) -> Case:
    night = change(read_night(folder))
    runs = read_runs(night)
    setting = set_up(night, runs)
    facts = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    return Case(folder.name, setting, measure(runs[0], setting), facts)


@cache
def kept(folder: Path, lens: str) -> Case:
    return measured(folder, as_it_is if lens == "lens" else without_lens)


@pytest.fixture(params=PLAN_ERROR_M)
def lens(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture(params=COVERAGE_POINTS)
def case(request: pytest.FixtureRequest, rendered: Path, lens: str) -> Case:
    return kept(rendered / request.param, lens)


def test_coverage(case: Case):
    assert case.coverage.percent.value == pytest.approx(case.true_percent, abs=COVERAGE_POINTS[case.name])
    assert case.coverage.percent_of_reachable is not None
    assert case.coverage.percent_of_reachable.value == pytest.approx(case.true_reachable_percent, abs=REACHABLE_POINTS)


@pytest.mark.parametrize("lens", ["lens"])
def test_good_frames_raise_what_they_give_reason_for_and_no_more(case: Case):
    assert case.measures.verdict == "measured"
    assert {remark.code for remark in case.measures.quality} <= REMARKS[case.name]


def test_intervals_hold_the_truth(case: Case):
    low, high = case.coverage.percent.interval_95
    assert low <= case.true_percent <= high
    assert case.coverage.percent_of_reachable is not None
    low, high = case.coverage.percent_of_reachable.interval_95
    assert low <= case.true_reachable_percent <= high
    low, high = case.coverage.whole_floor_95
    assert low <= case.truth["coverage_percent"] <= high
    # An interval that holds everything would be no use to anyone.
    assert case.coverage.percent.u < 0.5


def test_floor(case: Case):
    assert case.measures.floor is not None
    assert case.measures.floor.free_m2 == pytest.approx(case.truth["free_area_m2"], rel=0.001)
    hidden_m2 = case.measures.floor.hidden_m2
    assert hidden_m2 == pytest.approx(case.measures.floor.free_m2 - case.measures.floor.visible_m2, abs=1e-6)


def test_edges(case: Case):
    true_mm = {round(edge["outward_bearing_deg"], 1): edge["mean_mm"] for edge in case.truth["edges"]["items"]}
    assert case.measures.edges is not None
    walls = [edge for edge in case.measures.edges if edge.bearing_deg is not None]
    assert len(walls) == len(true_mm) == 4
    for wall in walls:
        assert wall.mean_mm is not None
        assert wall.mean_mm.value == pytest.approx(true_mm[round(wall.bearing_deg, 1)], abs=5)


def test_every_true_pocket_is_found_at_its_size(case: Case):
    pockets = case.measures.pockets
    assert pockets is not None
    large = [true for true in case.truth["pockets"]["items"] if true["diameter_mm"] >= 66]
    assert large or case.name == "pen"
    for true in large:
        # The centroid tells pockets apart: the largest circle of a long one may lie anywhere along it.
        found = min(pockets, key=lambda pocket: dist(pocket.centroid_m, true["centroid_m"]))
        allowed_cm2 = 1e4 * max(0.05 * true["area_m2"], 0.002 * true["perimeter_m"])
        assert dist(found.centroid_m, true["centroid_m"]) < 0.03
        assert found.area_cm2.value == pytest.approx(1e4 * true["area_m2"], abs=allowed_cm2)
        assert found.diameter_mm.value == pytest.approx(true["diameter_mm"], abs=4)


def test_no_pocket_is_made_up(case: Case):
    true = [pocket for pocket in case.truth["pockets"]["items"] if pocket["diameter_mm"] >= 54]
    assert case.measures.pockets is not None
    for found in case.measures.pockets:
        if found.diameter_mm.value >= 60:
            assert any(dist(found.centroid_m, pocket["centroid_m"]) < 0.05 for pocket in true), found


def test_plan_error_at_bar_height(case: Case, lens: str):
    height_m = case.facts["bar"]["height_m"]
    x_m, y_m = np.meshgrid(*(np.arange(low, high, 0.1) for low, high in floor_spans(case)))
    places = np.column_stack([x_m.ravel(), y_m.ravel(), np.full(x_m.size, height_m)])
    pixels = true_camera(case.facts["camera"]).project(places)
    off_m = np.linalg.norm(case.setting.camera.fit.camera.lift(pixels, height_m) - places[:, :2], axis=1)
    assert off_m.max() <= PLAN_ERROR_M[lens]


def floor_spans(case: Case) -> list[tuple[float, float]]:
    west, south, east, north = case.setting.room.floor.bounds
    return [(west, east), (south, north)]


def true_camera(facts: dict[str, Any]) -> Camera:
    width, height = facts["image_size"]
    lens = Lens((width, height), np.array(facts["K"]), np.array(facts["dist"]), "jpeg")
    return Camera(lens, np.array(facts["R"]), np.array(facts["t"]))


def test_what_parallax_is_worth(rendered: Path):
    """Light taken to lie on the floor, where it appears displaced outward, would be off by points."""
    case = kept(rendered / "lanes", "lens")
    plan, swept = case.run.plan, case.run.swept
    assert swept is not None
    x_m, y_m, height_m = case.setting.camera.fit.camera.centre_m
    nearer = 1 - case.facts["bar"]["height_m"] / height_m
    grid = plan.grid
    cols = (x_m - grid.west_m) / grid.cell_m - 0.5
    rows = (grid.north_m - y_m) / grid.cell_m - 0.5
    back = np.array([[nearer, 0, cols * (1 - nearer)], [0, nearer, rows * (1 - nearer)]])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    displaced = cv2.warpAffine(swept.share, back, grid.shape[::-1], flags=flags)
    percent = covered_percent(displaced, plan.visible_share)
    assert percent is not None
    assert abs(percent - case.true_percent) > 3


def test_light_that_lies_on_the_floor_is_refused(rendered: Path):
    """A bar seen from nearer looks longer: better no number than a wrong one."""
    flat = measured(rendered / "lanes", on_the_floor).measures
    assert flat.verdict == "refused"
    assert "bar-length-mismatch" in [remark.code for remark in flat.quality if remark.level == "refused"]


def test_cell_size_does_not_matter(rendered: Path):
    percent = {
        cell_mm: measured(rendered / "bounce", on_cells_of(cell_mm / 1000)).coverage.percent.value for cell_mm in (1, 4)
    }
    as_usual = kept(rendered / "bounce", "lens")
    assert as_usual.setting.night.settings.cell_m == 0.002
    percent[2] = as_usual.coverage.percent.value
    assert percent[1] == pytest.approx(percent[2], abs=0.1)
    assert percent[4] == pytest.approx(percent[2], abs=0.3)


def test_same_input_same_bytes(rendered: Path):
    once, again = kept(rendered / "faint", "lens"), measured(rendered / "faint")
    assert to_bytes(measures_to_json(once.measures)) == to_bytes(measures_to_json(again.measures))


def test_pockets_are_numbered_by_size(case: Case):
    pockets = case.measures.pockets
    assert pockets is not None
    assert [pocket.id for pocket in pockets] == list(range(1, len(pockets) + 1))
    sizes = [diameter_mm(pocket) for pocket in pockets]
    assert sizes == sorted(sizes, reverse=True)


def diameter_mm(pocket: Pocket) -> float:
    return pocket.diameter_mm.value
