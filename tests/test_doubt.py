"""Every quality code that one exposure can raise, provoked on good rendered nights. As they are: test_run.py."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from shapely import box

from coverage_lab import measure, read_night, read_runs, set_up
from coverage_lab.job import Quality
from coverage_lab.measures.values import Measures
from coverage_lab.remarks import stray_remarks
from coverage_lab.room.room import Obstacle
from coverage_lab.trails.stray import Stray
from tests.benchmarks import simulated
from tests.benchmarks.simulated import Condition, outcome


@dataclass(frozen=True)
class Copy:
    """A rendered night's copy to spoil one thing in."""

    folder: Path

    def measures(self, *, bar_up_m: float = 0.0, cell_m: float = 0.003) -> Measures:
        night = read_night(self.folder)
        robots = {
            name: replace(robot, bar=replace(robot.bar, height_m=robot.bar.height_m + bar_up_m))
            for name, robot in night.robots.items()
        }
        night = replace(night, robots=robots, settings=replace(night.settings, cell_m=cell_m))
        runs = read_runs(night)
        return measure(runs[0], set_up(night, runs)).measures

    def remark(self, code: str, **how: float) -> Quality | None:
        return next((remark for remark in self.measures(**how).quality if remark.code == code), None)

    def change_room(self, change: Callable[[dict], None]) -> None:
        path = self.folder / "room.geojson"
        room = json.loads(path.read_text(encoding="utf-8"))
        for feature in room["features"]:
            change(feature)
        path.write_text(json.dumps(room), encoding="utf-8")

    def change_light(self, change: Callable[[np.ndarray], np.ndarray], name: str = "heron-1.jpg") -> None:
        """Change the light of a picture, 1 = full scale."""
        path = str(self.folder / name)
        codes = cv2.imread(path) / 255.0
        light = np.where(codes <= 0.04045, codes / 12.92, ((codes + 0.055) / 1.055) ** 2.4)
        light = np.clip(change(light), 0, 1)
        codes = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
        cv2.imwrite(path, np.rint(255 * codes).astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, 95])


@pytest.fixture
def copy(rendered: Path, tmp_path: Path) -> Callable[[str], Copy]:
    def copied(name: str) -> Copy:
        register = rendered / "robots.toml"
        if register.is_file():
            shutil.copy(register, tmp_path)
        return Copy(Path(shutil.copytree(rendered / name, tmp_path / name)))

    return copied


@pytest.mark.parametrize(("up_mm", "level"), [(20, "warning"), (-20, "warning"), (80, "refused")])
def test_a_wrong_bar_height_shows_in_the_bar_s_length(copy: Callable[[str], Copy], up_mm: int, level: str):
    remark = copy("lanes").remark("bar-length-mismatch", bar_up_m=up_mm / 1000)
    assert remark is not None
    assert remark.level == level


def test_a_doubted_bar_height_widens_the_interval_over_the_truth(copy: Callable[[str], Copy]):
    night = copy("lanes")
    measures = night.measures(bar_up_m=0.02)
    truth = json.loads((night.folder / "truth.json").read_text())["truth"]["hidden_from_camera"]
    assert measures.coverage is not None
    low, high = measures.coverage.percent.interval_95
    assert low <= truth["coverage_percent_of_visible_free_floor"] <= high


@pytest.mark.parametrize("name", ["lanes", "bounce", "faint"])
def test_trail_over_a_footprint_is_refused(copy: Callable[[str], Copy], name: str):
    night = copy(name)

    def shift(feature: dict) -> None:
        if feature["properties"]["role"] == "obstacle" and "leg" not in feature["properties"]["name"]:
            rings = feature["geometry"]["coordinates"]
            off = [[-0.3 if max(p[i] for p in rings[0]) > 1.5 else 0.3 for i in (0, 1)]]
            feature["geometry"]["coordinates"] = [(np.array(ring)[:, :2] + off).tolist() for ring in rings]

    night.change_room(shift)
    measures = night.measures()
    assert measures.verdict == "refused"
    assert "trail-on-obstacle" in {remark.code for remark in measures.quality}


def test_trail_beyond_a_wall_is_refused(copy: Callable[[str], Copy]):
    night = copy("pen")

    def shrink(feature: dict) -> None:
        if feature["properties"]["role"] == "floor":
            ring = np.array(feature["geometry"]["coordinates"][0])[:, :2]
            feature["geometry"]["coordinates"] = [np.minimum(ring, ring.max(axis=0) - [0.3, 0]).tolist()]

    night.change_room(shrink)
    measures = night.measures()
    assert measures.verdict == "refused"
    assert "trail-off-floor" in {remark.code for remark in measures.quality}


def test_a_burnt_exposure_is_refused(copy: Callable[[str], Copy]):
    night = copy("clipped")
    night.change_light(lambda light: 12 * light)
    measures = night.measures()
    assert measures.verdict == "refused"
    assert "saturated" in {remark.code for remark in measures.quality}


def test_light_from_a_door_is_flagged(copy: Callable[[str], Copy]):
    night = copy("lanes")
    night.change_light(lambda light: 0.3 * light + np.linspace(0.35, 0.25, light.shape[1])[:, None])
    remark = night.remark("light-leak")
    assert remark is not None
    assert remark.level == "warning"


@pytest.mark.parametrize(("noise", "level"), [(0.02, "warning"), (0.08, "refused")])
def test_a_trail_that_hardly_stands_out_of_the_noise(copy: Callable[[str], Copy], noise: float, level: str):
    night = copy("lanes")
    rng = np.random.default_rng(3)
    night.change_light(lambda light: 0.1 * light + 0.03 + noise * rng.standard_normal(light.shape))
    remark = night.remark("faint")
    assert remark is not None
    assert remark.level == level


@pytest.mark.parametrize(("by_px", "level"), [(0.0, None), (4.0, "warning"), (30.0, "refused")])
def test_a_second_reference_frame_shows_that_the_camera_moved(
    copy: Callable[[str], Copy], by_px: float, level: str | None
):
    night = copy("lanes")
    picture = cv2.imread(str(night.folder / "reference.jpg"))
    move = np.array([[1, 0, by_px], [0, 1, -by_px / 2]], dtype=np.float32)
    moved = cv2.warpAffine(picture, move, picture.shape[1::-1], flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    cv2.imwrite(str(night.folder / "after.jpg"), moved, [cv2.IMWRITE_JPEG_QUALITY, 95])
    table = night.folder / "night.toml"
    table.write_text('reference_after = "after.jpg"\n' + table.read_text(encoding="utf-8"), encoding="utf-8")
    measures = night.measures()
    found = next((remark for remark in measures.quality if remark.code == "camera-moved"), None)
    assert (found and found.level) == level
    if level == "warning":
        assert measures.coverage is not None
        assert measures.coverage.contributions["camera moved"].points > 0


# Five times full scale in one pass, between white walls: 15 % of the floor that no nozzle reaches are burnt.
BURNT = Condition("bounce", level=5.0)


def refusals(measures: Measures) -> set[str]:
    return {remark.code for remark in measures.quality if remark.level == "refused"}


def test_burnt_floor_is_told_from_trail_by_the_comb(tmp_path: Path):
    found = outcome(BURNT, tmp_path)
    measures = found.run.measures
    assert refusals(measures) == set()
    assert "saturated" in {remark.code for remark in measures.quality}
    assert abs(found.error) < 0.3
    assert measures.coverage is not None
    assert abs(found.error) < 1.96 * measures.coverage.percent.u < 2.5


def test_burnt_floor_and_no_comb_to_tell_trail_by_is_refused(tmp_path: Path):
    assert "saturated" in refusals(outcome(replace(BURNT, pitch_mm=0.0), tmp_path).run.measures)


def test_a_wrong_room_is_told_in_burnt_light_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    known = simulated.known_set_up

    def with_a_stool(folder: Path, room, camera, robot):
        stool = Obstacle("stool", box(0.4, 0.3, 0.8, 0.6), 0.4)
        return known(folder, replace(room, obstacles=(*room.obstacles, stool)), camera, robot)

    monkeypatch.setattr(simulated, "known_set_up", with_a_stool)
    assert "trail-on-obstacle" in refusals(outcome(BURNT, tmp_path).run.measures)


@pytest.mark.parametrize(("clipped", "told_first"), [(0.96, "Stop down"), (0.3, "Check the room")])
def test_trail_over_furniture_is_blamed_on_burnt_light_first(clipped: float, told_first: str):
    (remark,) = stray_remarks([Stray("obstacle", "chest", 0.015)], 0.22, clipped)
    assert remark.level == "refused"
    assert told_first in remark.text
    assert "room file" in remark.text
    assert stray_remarks([Stray("obstacle", "chest", 0.002)], 0.22, clipped) == ()


@pytest.mark.parametrize(("by_px", "level"), [(4.0, "warning"), (10.0, "refused")])
def test_the_exposure_itself_shows_that_the_camera_moved(copy: Callable[[str], Copy], by_px: float, level: str):
    """Without a second reference frame: by walls and furniture that the bar's light shows."""
    night = copy("bounce")
    picture = cv2.imread(str(night.folder / "heron-1.jpg"))
    move = np.array([[1, 0, by_px], [0, 1, -by_px / 4]], dtype=np.float32)
    moved = cv2.warpAffine(picture, move, picture.shape[1::-1], flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    cv2.imwrite(str(night.folder / "heron-1.jpg"), moved, [cv2.IMWRITE_JPEG_QUALITY, 95])
    measures = night.measures()
    remark = next(remark for remark in measures.quality if remark.code == "camera-moved")
    assert remark.level == level
    assert "since the reference frame" in remark.text
    if level == "warning":
        assert measures.coverage is not None
        assert measures.coverage.contributions["camera moved"].shared_by == "run"
        low, high = measures.coverage.percent.interval_95
        truth = json.loads((night.folder / "truth.json").read_text())["truth"]["hidden_from_camera"]
        assert low <= truth["coverage_percent_of_visible_free_floor"] <= high
