"""Series in which something is wrong, through the command: each is named, and the others of the night go on."""

from __future__ import annotations

import json
import shutil
import stat
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from PIL import Image
from test_shutter_gaps import CLOSET

from coverage_lab.cli import main
from coverage_lab.show.series import Drawn
from coverage_lab.simulate.night import NIGHT, NightPlan, write_season
from coverage_lab.simulate.robots import FLOCK
from coverage_lab.simulate.series import Shutter

FRAMES = 12
GAP_S = 0.5

Frames = list[Path]


def stamped(frame: Path, change: Callable[[datetime], str]) -> None:
    """Write another date into a frame, as long as the one that is there."""
    content = frame.read_bytes()
    start = content.index(b"2031:")
    old = content[start : start + 19].decode()
    frame.write_bytes(content.replace(old.encode(), change(datetime.strptime(old, "%Y:%m:%d %H:%M:%S")).encode()))


def later(by: timedelta) -> Callable[[datetime], str]:
    return lambda moment: (moment + by).strftime("%Y:%m:%d %H:%M:%S")


def clock_changed(frames: Frames) -> None:
    for frame in frames[6:]:
        stamped(frame, later(timedelta(hours=1)))


def clock_reset(frames: Frames) -> None:
    for frame in frames[6:]:
        stamped(frame, later(timedelta(days=-4000)))


def another_camera(frames: Frames) -> None:
    for frame in frames[8:]:
        frame.write_bytes(frame.read_bytes().replace(b"Simulated camera", b"Simulated cinema"))


def days_first(frames: Frames) -> None:
    stamped(frames[4], lambda moment: moment.strftime("%d.%m.%Y %H:%M:%S"))


def cut_off(frames: Frames) -> None:
    frames[5].write_bytes(frames[5].read_bytes()[:-2000])


def counted_over(frames: Frames) -> None:
    for at, frame in enumerate(frames):
        frame.rename(frame.with_name(f"DSC_{(9994 + at) % 10000:04d}.jpg"))


SPOILT: dict[str, Callable[[Frames], None]] = {
    "good": lambda frames: None,
    "clock-changed": clock_changed,
    "clock-reset": clock_reset,
    "another-camera": another_camera,
    "days-first": days_first,
    "cut-off": cut_off,
    "counted-over": counted_over,
}


@pytest.fixture(scope="module")
def shot(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A season with a night of one short series."""
    plan = NightPlan(CLOSET, drivers=FLOCK[:1], megapixels=0.3, shutter=Shutter(FRAMES, GAP_S), draw_tolerances=False)
    season = tmp_path_factory.mktemp("series") / "season"
    night = write_season(season, plan)
    with (night / "night.toml").open("a", encoding="utf-8") as table:
        table.write("\n[settings]\ncell_mm = 4\n")
    return season


@pytest.fixture(scope="module")
def night(shot: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same series spoilt in many ways, one run each, and measured by one command."""
    season = Path(shutil.copytree(shot, tmp_path_factory.mktemp("spoilt") / "season"))
    night = season / NIGHT
    rows = ["run,robot,repeat,frames"]
    for repeat, (name, spoil) in enumerate(SPOILT.items(), 1):
        shutil.copytree(night / "heron-1", night / name)
        spoil(sorted((night / name).iterdir()))
        frames = "counted-over/DSC_9994..counted-over/DSC_0005" if name == "counted-over" else name
        rows.append(f"{name},heron,{repeat},{frames}")
    shutil.rmtree(night / "heron-1")
    (night / "runs.csv").write_text("\n".join([*rows, ""]), encoding="utf-8")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("coverage_lab.season.work.draw_all", lambda measured, arrays: Drawn({}))  # none is looked at here
        assert measured(night, patch) == 1  # one is refused
    return night


def measured(night: Path, patch: pytest.MonkeyPatch) -> int:
    """Measure a night by the command, in this process; return the exit code."""
    patch.setattr("sys.argv", ["coverage-lab", "measure", "--workers", "1", str(night)])
    with pytest.raises(SystemExit) as stop:
        main()
    return int(stop.value.code or 0)


def told(night: Path, run: str) -> dict[str, Any]:
    return json.loads((night / "results" / run / "measures.json").read_text(encoding="utf-8"))


def remark(run: dict[str, Any], code: str) -> dict[str, str]:
    (found,) = [one for one in run["quality"] if one["code"] == code]
    return found


def percent(run: dict[str, Any]) -> float:
    return run["coverage"]["percent"]["value"]


def width(run: dict[str, Any]) -> float:
    low, high = run["coverage"]["percent"]["interval_95"]
    return high - low


def test_the_good_one_has_nothing_to_tell_of_its_frames(night: Path):
    codes = {one["code"] for one in told(night, "good")["quality"]}
    assert not codes & {"clock-jump", "clock-unknown", "frame-hole", "frame-order", "frame-missing", "cameras-mixed"}


def test_a_daylight_saving_jump_is_taken_out(night: Path):
    good, run = told(night, "good"), told(night, "clock-changed")
    assert remark(run, "clock-jump")["level"] == "note"
    assert "an hour" in remark(run, "clock-jump")["text"]
    assert run["time"]["duration_s"] == pytest.approx(good["time"]["duration_s"], abs=1)
    assert percent(run) == percent(good)


def test_a_clock_that_was_reset_is_told_and_the_run_keeps_its_length(night: Path):
    good, run = told(night, "good"), told(night, "clock-reset")
    assert remark(run, "clock-jump")["level"] == "warning"
    assert "0006.jpg and 0007.jpg" in remark(run, "clock-jump")["text"]
    assert run["time"]["duration_s"] == pytest.approx(good["time"]["duration_s"], abs=2)
    assert percent(run) == pytest.approx(percent(good), abs=0.1)


def test_two_cameras_are_refused_by_name(night: Path):
    run = told(night, "another-camera")
    assert (run["verdict"], run["coverage"]) == ("refused", None)
    assert "Simulated cinema" in run["reason"] and "0009.jpg" in run["reason"]


def test_a_date_in_another_form_is_named_and_the_frame_placed_by_its_name(night: Path):
    good, run = told(night, "good"), told(night, "days-first")
    assert "0005.jpg" in remark(run, "clock-unknown")["text"]
    assert percent(run) == percent(good)
    assert run["time"]["duration_s"] == pytest.approx(good["time"]["duration_s"], abs=1)


def test_a_frame_that_was_cut_off_is_a_hole_that_widens_the_interval(night: Path):
    good, run = told(night, "good"), told(night, "cut-off")
    assert "0006.jpg" in remark(run, "frame-hole")["text"]
    assert run["time"]["frames"] == FRAMES
    assert percent(run) < percent(good)
    assert width(run) > 2 * width(good)


def test_a_range_over_a_counter_that_began_again_is_the_run(night: Path):
    good, run = told(night, "good"), told(night, "counted-over")
    assert run["time"]["frames"] == FRAMES
    assert run["time"]["growth"] == good["time"]["growth"]
    assert percent(run) == percent(good)


def test_a_dark_frame_of_other_settings_is_told(shot: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    night = Path(shutil.copytree(shot, tmp_path / "season")) / NIGHT
    with Image.open(night / "heron-1" / "0001.jpg") as frame:
        exif = frame.getexif()
        exif.get_ifd(0x8769)[0x829A] = 1.0  # ExposureTime
        Image.new("L", frame.size, 0).save(night / "dark.jpg", exif=exif)
    table = (night / "night.toml").read_text(encoding="utf-8")
    (night / "night.toml").write_text(f'dark = "dark.jpg"\n{table}', encoding="utf-8")
    monkeypatch.setattr("coverage_lab.season.work.draw_all", lambda measured, arrays: Drawn({}))
    assert measured(night, monkeypatch) == 0
    assert remark(told(night, "heron-1"), "dark-mismatch")["level"] == "warning"


def test_without_a_film_nothing_else_is_lost(
    shot: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
):
    night = Path(shutil.copytree(shot, tmp_path / "season")) / NIGHT
    program = tmp_path / "ffmpeg"
    program.write_text('#!/bin/sh\ncat > /dev/null\necho "no space left for a film" >&2\nexit 3\n', encoding="utf-8")
    program.chmod(program.stat().st_mode | stat.S_IXUSR)
    monkeypatch.setenv("IMAGEIO_FFMPEG_EXE", str(program))
    assert measured(night, monkeypatch) == 0
    said = capsys.readouterr().err
    assert "timelapse.mp4 could not be made (ffmpeg: no space left for a film)" in said
    folder = night / "results" / "heron-1"
    made = json.loads((folder / "made.json").read_text(encoding="utf-8"))
    assert "timelapse.mp4" in made["not_drawn"]
    assert not (folder / "timelapse.mp4").exists() and "timelapse.mp4" not in made["files"]
    for name in ("measures.json", "growth.png", "growth.csv", "poster.png", "timelapse.gif", "overlay.png", "plan.npz"):
        assert (folder / name).is_file()
        assert name in made["files"]
