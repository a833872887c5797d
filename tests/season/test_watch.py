"""Watching a folder with the real command: what is dropped is measured, and nothing that happens to it is harmful."""

from __future__ import annotations

import json
import resource
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from small_night import Lab
from watchfiles import Change

from coverage_lab.errors import BadInput, ExitCode
from coverage_lab.season.batch import measure_all
from coverage_lab.season.inbox import RETRY_S, Inbox, Looked
from coverage_lab.season.summary import Summary
from coverage_lab.season.wanted import Wanted
from coverage_lab.season.watch import EVERYTHING_S, SAY_AGAIN_S, Watcher
from coverage_lab.season.work import Outcome

SAMPLES = Path(__file__).parents[2] / "sample_frames"
COMMAND = [sys.executable, "-c", "from coverage_lab.cli import main; main()", "watch", "--workers", "1"]


class Watching:
    """The command, running, and the lines it has told so far."""

    def __init__(self, folder: Path, *options: str) -> None:
        self.process = subprocess.Popen([*COMMAND, *options, folder], stderr=subprocess.PIPE, text=True)
        self.lines: list[str] = []
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        assert self.process.stderr is not None
        self.lines.extend(line.rstrip("\n") for line in iter(self.process.stderr.readline, ""))

    def told(self, words: str, times: int = 1) -> None:
        """Wait until so many lines hold the words."""
        until = time.monotonic() + 300  # on a machine that is busy with other things
        while time.monotonic() < until:
            if sum(words in line for line in list(self.lines)) >= times:
                return
            time.sleep(0.05)
        pytest.fail(f"{words!r} not told {times} times:\n" + "\n".join(self.lines))

    def stop(self, number: signal.Signals) -> int:
        self.process.send_signal(number)
        code = self.process.wait(30)
        self._reader.join(5)
        return code


@pytest.fixture
def watching(tmp_path: Path) -> Iterator[Callable[..., Watching]]:
    running: list[Watching] = []

    def start(folder: Path, *options: str) -> Watching:
        running.append(Watching(folder, *options))
        running[-1].told("watching")
        return running[-1]

    yield start
    for one in running:
        one.process.kill()
        one.process.wait()
        if one.process.stderr is not None:
            one._reader.join(5)
            one.process.stderr.close()


def trickle(source: Path, target: Path, seconds: float) -> None:
    """Write a file in twelve pieces, as over a slow line."""
    content = source.read_bytes()
    piece = len(content) // 12 + 1
    with target.open("wb") as stream:
        for at in range(0, len(content), piece):
            stream.write(content[at : at + piece])
            stream.flush()
            time.sleep(seconds / 12)


def test_a_trickling_frame_a_missing_reference_a_folder_that_goes_and_comes_back(
    lab: Lab, tmp_path: Path, watching: Callable[..., Watching]
):
    drop, away = tmp_path / "drop", tmp_path / "away"
    drop.mkdir()
    away.mkdir()
    frame, reference = (Path(shutil.move(lab.night / name, away)) for name in ("heron-2.jpg", "reference.jpg"))
    one = watching(drop)
    shutil.copy(lab.season / "robots.toml", drop)
    night = Path(shutil.copytree(lab.night, drop / lab.night.name))
    one.told("2031-02-11: waiting for reference.jpg")
    shutil.copy(reference, night)
    one.told("2031-02-11/heron-1: measured:")
    one.told("2031-02-11: waiting for heron-2.jpg")
    trickle(frame, night / "heron-2.jpg", seconds=3)
    one.told("2031-02-11/heron-2: measured:")
    one.told("2031-02-11: results are in", times=2)
    verdicts = [json.loads(path.read_bytes())["verdict"] for path in night.glob("results/*/measures.json")]
    assert verdicts == ["measured", "measured"]
    shutil.rmtree(night)
    one.told("2031-02-11: is gone")
    drop.rename(tmp_path / "renamed")
    one.told(f"{drop} is gone")
    shutil.copytree(lab.night, tmp_path / "renamed" / "2031-02-12", ignore=shutil.ignore_patterns("results"))
    (tmp_path / "renamed").rename(drop)
    one.told("2031-02-12: waiting for reference.jpg")
    assert one.stop(signal.SIGTERM) == ExitCode.DONE
    assert not any("failed" in line or "Traceback" in line for line in one.lines if "0 failed" not in line)
    assert one.lines[-1].startswith("stopped")


def test_the_sample_night_alone_is_measured_when_dropped_and_ctrl_c_stops(
    tmp_path: Path, watching: Callable[..., Watching]
):
    one = watching(tmp_path, "--poll", "--log", str(tmp_path.with_suffix(".log")))
    night = tmp_path / "2031-02-11"
    shutil.copytree(SAMPLES / night.name, night, ignore=shutil.ignore_patterns("results"))
    one.told(f"2031-02-11: results are in {night / 'results'}")
    assert sorted(path.parent.name for path in night.glob("results/*/overlay.png")) == ["heron-1", "plover-1", "wren-1"]
    logged = [json.loads(line)["verdict"] for line in tmp_path.with_suffix(".log").read_text("utf-8").splitlines()]
    assert logged == ["measured"] * 3
    assert one.stop(signal.SIGINT) == ExitCode.INTERRUPTED


def wait_until_measured(night: Path) -> None:
    """Wait until a batch has set itself up in the night, of which keeping the sheet is the last step."""
    until = time.monotonic() + 60
    while not (night / "results" / "runs.csv").exists() and time.monotonic() < until:
        time.sleep(0.02)


def test_renamed_or_stopped_in_the_middle_of_a_run(lab: Lab, small_season: Path, watching: Callable[..., Watching]):
    one = watching(lab.season)
    wait_until_measured(lab.night)
    lab.night.rename(lab.season / "2031-02-12")
    one.told("2031-02-11: is gone")
    one.told("2031-02-12/heron-2: measured:")
    assert not lab.night.exists()
    shutil.copytree(small_season / lab.night.name, lab.night, ignore=shutil.ignore_patterns("results"))
    wait_until_measured(lab.night)
    assert one.stop(signal.SIGTERM) == ExitCode.DONE
    assert not any("Traceback" in line for line in one.lines), one.lines
    assert sorted(path.name for path in (lab.night / "results").glob(".*")) in ([], [".staging"])
    assert lab.measure().code == ExitCode.DONE


class Told:
    """A watcher that is stepped by hand, with a batch that stores what the test lets it."""

    def __init__(self, folder: Path) -> None:
        self.lines: list[str] = []
        self.passes: list[list[str]] = []
        self.stored = True
        self.watcher = Watcher(folder, self.lines.append, self.measure)
        self.now_s = 10.0

    def measure(self, wanted: tuple[Wanted, ...], report: Callable[[Outcome], None]) -> Summary:
        keys = [f"{one.job.night.name}/{run}" for one in wanted for run in one.reasons]
        self.passes.append(keys)
        for key in keys:
            report(Outcome(key, "measured", "", None, stored=self.stored))  # type: ignore[arg-type]
        return Summary()

    def step(self, seconds: float) -> None:
        self.now_s += seconds
        self.watcher.step((), self.now_s)


def test_a_full_disk_is_tried_again_after_a_while(lab: Lab):
    told = Told(lab.season)
    lab.monkeypatch.setattr(time, "monotonic", lambda: told.now_s)
    told.stored = False
    for _ in range(3):
        told.step(3)
    assert told.passes == [["2031-02-11/heron-1", "2031-02-11/heron-2"]]
    assert any("heron-1, heron-2 could not be done; trying again in 60 s" in line for line in told.lines)
    told.stored = True
    for _ in range(5):
        told.step(RETRY_S / 4)
    assert len(told.passes) == 2
    told.step(EVERYTHING_S)
    told.step(3)
    assert len(told.passes) == 2


def test_a_disk_that_is_really_full_and_has_space_again(lab: Lab):
    """A limit on the size of files stands in for the end of the disk; pictures are larger than numbers."""
    told = Told(lab.season)
    told.watcher.measure = measure_all
    lab.monkeypatch.setattr(time, "monotonic", lambda: told.now_s)
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, hard))
    try:
        for _ in range(3):
            told.step(3)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert not list(lab.night.glob("results/*/measures.json"))
    assert "2031-02-11: heron-1, heron-2 could not be done; trying again in 60 s" in told.lines
    told.step(RETRY_S)
    told.step(3)
    assert len(list(lab.night.glob("results/*/measures.json"))) == 2
    assert any("results are in" in line for line in told.lines)


def test_progress_is_told_now_and_then_and_news_at_once(lab: Lab):
    told = Told(lab.season)
    night = lab.night
    tell = told.watcher._tell
    tell(night, {"heron-3": "receiving, 1 frame"}, 0)
    tell(night, {"heron-3": "receiving, 2 frames"}, 3)
    tell(night, {"heron-3": "receiving, 30 frames"}, SAY_AGAIN_S)
    tell(night, {"heron-3": "receiving, 30 frames"}, 9 * SAY_AGAIN_S)
    tell(night, {"heron-3": "waiting for reference.jpg"}, 9 * SAY_AGAIN_S)
    tell(night, None, 9 * SAY_AGAIN_S)
    tell(night, {"heron-3": "waiting for reference.jpg"}, 10 * SAY_AGAIN_S)
    assert told.lines == [
        "heron-3: receiving, 1 frame",
        "heron-3: receiving, 30 frames",
        "heron-3: waiting for reference.jpg",
    ]


def test_what_we_write_ourselves_wakes_no_night(lab: Lab):
    told = Told(lab.season)
    lab.monkeypatch.setattr(time, "monotonic", lambda: told.now_s)
    for _ in range(4):
        told.step(3)
    for name in (
        "season.db",
        "season.db-journal",
        "2031-02-11/results/heron-1/measures.json",
        "2031-02-11/._heron-1.jpg",
    ):
        told.watcher.step([(Change.modified, str(lab.season / name))], told.now_s)
        assert told.watcher._due_s == {}
    told.watcher.step([(Change.modified, str(lab.season / "robots.toml"))], told.now_s)
    assert set(told.watcher._due_s) == {lab.night}


def test_a_night_that_comes_wakes_no_other_one(lab: Lab):
    told = Told(lab.season)
    lab.monkeypatch.setattr(time, "monotonic", lambda: told.now_s)
    for _ in range(4):
        told.step(3)
    other = Path(shutil.copytree(lab.night, lab.season / "2031-02-12"))
    told.watcher.step([(Change.added, str(other)), (Change.added, str(other / "night.toml"))], told.now_s)
    assert set(told.watcher._due_s) == {other}


def test_a_night_that_we_stumble_over_does_not_stop_the_others(lab: Lab):
    other = Path(shutil.copytree(lab.night, lab.season / "2031-02-12"))
    told = Told(lab.season)
    lab.monkeypatch.setattr(time, "monotonic", lambda: told.now_s)
    read = Inbox.look

    def stumble(inbox: Inbox, now_s: float) -> Looked:
        if inbox.folder == lab.night:
            raise KeyError("heron-9.jpg")
        return read(inbox, now_s)

    lab.monkeypatch.setattr(Inbox, "look", stumble)
    for _ in range(4):
        told.step(3)
    assert told.passes == [[f"{other.name}/heron-1", f"{other.name}/heron-2"]]
    assert sum("2031-02-11: KeyError: 'heron-9.jpg' (test_watch.py, line" in line for line in told.lines) == 1


def test_too_many_folders_for_the_system(lab: Lab):
    """The system's limit cannot be lowered from a test: what watchfiles raises there is raised here instead."""

    def refuse(*_: object, **__: object) -> Iterator[set[tuple[Change, str]]]:
        raise OSError("OS file watch limit reached")
        yield set()

    lab.monkeypatch.setattr("coverage_lab.season.watch.watch", refuse)
    with pytest.raises(BadInput, match=r"watch limit reached.*--poll"):
        Told(lab.season).watcher.run()


def test_a_folder_that_is_not_there(tmp_path: Path):
    with pytest.raises(BadInput, match="no such folder"):
        Told(tmp_path / "nowhere").watcher.run()
