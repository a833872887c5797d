"""Workers and batches that are killed, and nights that two batches want: nothing is lost, nothing is harmed."""

from __future__ import annotations

import json
import os
import platform
import signal
import subprocess
import sys
from concurrent.futures import BrokenExecutor
from pathlib import Path

import pytest
from small_night import Lab

from coverage_lab.errors import ExitCode
from coverage_lab.season.lock import Locked, locked
from coverage_lab.season.pool import Pool, processes

COMMAND = [sys.executable, "-c", "from coverage_lab.cli import main; main()", "measure", "--workers", "2"]


def kill_if_asked(job: str) -> str:
    """A job in a worker: "die" kills its worker each time, a path kills it the first time."""
    if job == "die":
        os.kill(os.getpid(), signal.SIGKILL)
    if job.startswith("/") and not Path(job).exists():
        Path(job).touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return job.rpartition("/")[2]


def test_a_job_that_kills_its_worker_is_given_up_and_the_others_are_done(tmp_path: Path):
    once = str(tmp_path / "once")
    with Pool(kill_if_asked, lambda: processes(2), 3) as pool:
        done = dict(pool.results(["a", "b", "die", "c", once, "d"]))
    assert isinstance(done.pop("die"), BrokenExecutor)
    assert done == {"a": "a", "b": "b", "c": "c", once: "once", "d": "d"}


def test_a_lock_is_held_taken_over_and_given_back(tmp_path: Path):
    lock = tmp_path / ".lock"
    with locked(tmp_path):
        with pytest.raises(Locked, match=f"process {os.getpid()} on"), locked(tmp_path):
            pass
        assert lock.exists()
    assert not lock.exists()
    gone = subprocess.Popen([sys.executable, "-c", ""])
    gone.wait()
    for pid, born in ((gone.pid, None), (os.getpid(), "another process's")):
        lock.write_text(json.dumps({"host": platform.node(), "pid": pid, "born": born}))
        with locked(tmp_path):
            assert json.loads(lock.read_text())["pid"] == os.getpid()


def test_a_night_renamed_while_it_was_locked_is_free_again(tmp_path: Path):
    night, renamed = tmp_path / "night", tmp_path / "renamed"
    with locked(night):
        night.rename(renamed)
        with pytest.raises(Locked), locked(renamed):
            pass
    assert (renamed / ".lock").exists()
    with locked(renamed):
        pass
    assert not (renamed / ".lock").exists()


@pytest.mark.parametrize("content", ['{"host": "elsewhere", "pid": 1}', ""])
def test_a_lock_that_cannot_be_judged_stays(tmp_path: Path, content: str):
    (tmp_path / ".lock").write_text(content)
    with pytest.raises(Locked, match="remove"), locked(tmp_path):
        pass
    assert (tmp_path / ".lock").read_text() == content


def test_a_night_of_another_batch_is_left_to_it(lab: Lab):
    with locked(lab.night / "results"):
        told = lab.measure(lab.season)
    assert told.code == ExitCode.SOME_FAILED
    told.line("2031-02-11: results/.lock: this night is being measured by process")
    assert not list(lab.night.glob("results/*/measures.json"))


def test_dry_run_measures_nothing(lab: Lab):
    told = lab.measure("--dry-run", lab.season)
    assert told.code == ExitCode.DONE
    told.line("heron-1: new; heron (nozzle", "heron-1.jpg")
    told.line("room: room.geojson")
    told.line("missing: no dark frame")
    assert not (lab.night / "results").exists()


def test_results_of_a_row_that_vanished_are_kept_and_named(done: Lab):
    sheet = done.night / "runs.csv"
    assert (done.night / "results" / "runs.csv").read_bytes() == sheet.read_bytes()
    done.edit(sheet, "heron-2,heron,2,heron-2.jpg\n", "")
    done.measure().line("2031-02-11/heron-2: no run of this night any more")
    assert (done.night / "results" / "heron-2" / "measures.json").is_file()
