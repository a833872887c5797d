"""The reviewer's picture can be drawn again from what is stored and the frame."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path

import cv2
import numpy as np
import pytest
from small_night import Lab

from coverage_lab import read_night, read_runs, set_up
from coverage_lab.errors import BadInput
from coverage_lab.files.results import PICTURES, read_plan, read_run
from coverage_lab.files.room import read_room
from coverage_lab.season.draw import draw_again, draw_in_time
from coverage_lab.simulate.night import NightPlan, write_season
from coverage_lab.simulate.robots import FLOCK
from coverage_lab.simulate.rooms import study
from coverage_lab.simulate.series import Shutter


def drawn_again(night_folder: Path) -> tuple[bytes, bytes]:
    """The picture drawn again, and the stored one."""
    night = read_night(night_folder)
    run, *_ = runs = read_runs(night)
    folder = night_folder / "results" / run.id
    return draw_again(run, set_up(night, runs), folder), (folder / "overlay.png").read_bytes()


def pixels(png: bytes) -> np.ndarray:
    picture = cv2.imdecode(np.frombuffer(png, np.uint8), cv2.IMREAD_UNCHANGED)
    assert picture is not None
    return picture


def test_the_same_picture_of_a_simulated_run(done: Lab):
    again, stored = drawn_again(done.night)
    assert np.array_equal(pixels(again), pixels(stored))


def test_the_same_picture_of_a_rendered_run(rendered: Path, tmp_path: Path, lab: Lab):
    night = Path(shutil.copytree(rendered / "bounce", tmp_path / "bounce", copy_function=shutil.copyfile))
    lab.measure(night)
    again, stored = drawn_again(night)
    assert np.array_equal(pixels(again), pixels(stored))


def test_the_same_picture_of_a_refused_run(lab: Lab):
    frame = str(lab.night / "heron-1.jpg")
    picture = cv2.imread(frame)
    assert picture is not None
    cv2.imwrite(frame, np.zeros_like(picture))
    lab.measure(lab.night / "heron-1")
    again, stored = drawn_again(lab.night)
    assert np.array_equal(pixels(again), pixels(stored))


def test_nothing_stored(lab: Lab):
    with pytest.raises(BadInput, match="Measure the run first"):
        drawn_again(lab.night)


def test_broken_results(done: Lab):
    path = done.night / "results" / "heron-1" / "measures.json"
    path.write_text('{"schema": "coverage-lab/measures/1"}', encoding="utf-8")
    with pytest.raises(BadInput, match=r"does not hold what a measured run says.*Measure the run again"):
        drawn_again(done.night)


IN_TIME = ("growth.png", "poster.png", "timelapse.gif", "timelapse.mp4")


@pytest.fixture(scope="module")
def series(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A night with one short run of eight frames, measured."""
    plan = NightPlan(room=study(), drivers=FLOCK[:1], megapixels=0.5, shutter=Shutter(8, 0.3))
    night = write_season(tmp_path_factory.mktemp("series") / "season", plan)
    (night / "night.toml").write_text(
        (night / "night.toml").read_text(encoding="utf-8") + "\n[settings]\ncell_mm = 4\n", encoding="utf-8"
    )
    command = [
        sys.executable,
        "-c",
        "from coverage_lab.cli import main; main()",
        "measure",
        "--workers",
        "1",
        str(night),
    ]
    subprocess.run(command, check=True, capture_output=True)
    return night


def test_a_series_has_its_pictures_and_they_are_told(series: Path):
    folder = series / "results" / "heron-1"
    told = json.loads((folder / "made.json").read_text(encoding="utf-8"))["files"]
    for name in (*IN_TIME, "plate.png", "overlay.png", "growth.csv", "track.csv", "track.png"):
        assert (folder / name).is_file()
        assert name in told
    assert (folder / "timelapse.gif").stat().st_size < 8e6


def test_films_and_charts_are_drawn_again_without_the_frames(series: Path):
    folder = series / "results" / "heron-1"
    again = draw_in_time(read_run(folder), read_plan(folder / "plan.npz"), read_room(series / "room.geojson")).pictures
    assert sorted(again) == sorted(IN_TIME)
    assert set(again) < set(PICTURES)
    for name in IN_TIME:
        assert again[name] == (folder / name).read_bytes(), name


def test_one_exposure_has_no_pictures_in_time(lab: Lab):
    lab.measure(lab.night / "heron-1")
    folder = lab.night / "results" / "heron-1"
    assert not [name for name in (*IN_TIME, "plate.png") if (folder / name).exists()]
    plan = read_plan(folder / "plan.npz")
    assert draw_in_time(read_run(folder), plan, read_room(lab.night / "room.geojson")).pictures == {}
