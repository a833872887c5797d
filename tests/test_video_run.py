"""A run that is a video: measured like the same run shot frame by frame."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import cv2
import pytest
from test_bad_series import measured, remark, told

from coverage_lab.files.night import read_night
from coverage_lab.files.sheet import read_runs
from coverage_lab.run import measure
from coverage_lab.setting import set_up
from coverage_lab.show.series import Drawn
from coverage_lab.simulate.night import NightPlan, write_season
from coverage_lab.simulate.robots import FLOCK
from coverage_lab.simulate.rooms import study
from coverage_lab.simulate.series import Shutter


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A night whose run is a video of twenty pictures, one per second."""
    plan = NightPlan(room=study(), drivers=FLOCK[:1], megapixels=0.8, shutter=Shutter(20))
    folder = write_season(tmp_path_factory.mktemp("video") / "season", plan)
    pictures = [cv2.imread(str(path)) for path in sorted((folder / "heron-1").iterdir())]
    height, width = pictures[0].shape[:2]
    film = cv2.VideoWriter(str(folder / "heron-1.avi"), cv2.VideoWriter_fourcc(*"MJPG"), 1, (width, height))
    film.set(cv2.VIDEOWRITER_PROP_QUALITY, 100)
    assert film.isOpened()
    for picture in pictures:
        film.write(picture)
    film.release()
    for path in (folder / "heron-1").iterdir():
        path.unlink()
    (folder / "heron-1").rmdir()
    (folder / "runs.csv").write_text("run,robot,frames\nheron-1,heron,heron-1.avi\n", encoding="utf-8")
    return folder


def test_coverage_and_growth_are_those_of_the_run(night: Path):
    read = read_night(night)
    (run,) = read_runs(read)
    found = measure(run, set_up(read, (run,))).measures
    assert found.coverage
    told = json.loads((night / "truth.json").read_text(encoding="utf-8"))["runs"]["heron-1"]["truth"]
    true = told["hidden_from_camera"]["coverage_percent_of_visible_free_floor"]
    percent = found.coverage.percent
    assert percent.value == pytest.approx(true, abs=0.5)
    assert percent.interval_95[0] <= true <= percent.interval_95[1]
    assert found.timing
    assert found.timing.frames == 20
    assert [point.t_s for point in found.timing.growth] == pytest.approx(range(1, 21), abs=0.01)
    grown = [point.percent for point in found.timing.growth]
    assert grown == pytest.approx(told["coverage_percent_of_visible_at_end"], abs=0.8)


def test_a_video_that_was_cut_off_is_measured_as_far_as_it_goes_and_told(
    night: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    """Through the command, as the other series in which something is wrong."""
    short = Path(shutil.copytree(night, tmp_path / "season" / night.name, copy_function=shutil.copyfile))
    shutil.copyfile(night.parent / "robots.toml", tmp_path / "season" / "robots.toml")
    content = (short / "heron-1.avi").read_bytes()
    (short / "heron-1.avi").write_bytes(content[: len(content) // 2])
    monkeypatch.setattr("coverage_lab.season.work.draw_all", lambda measured, arrays: Drawn({}))
    assert measured(short, monkeypatch) == 0
    run = told(short, "heron-1")
    assert remark(run, "video-short")["level"] == "warning"
    assert 5 <= run["time"]["frames"] < 20
