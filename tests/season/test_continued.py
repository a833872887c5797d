"""What a pass leaves when it is stopped, spoilt or shared out: nothing lost, nothing of others, nothing different."""

from __future__ import annotations

import csv
import pickle
import shutil
import subprocess
import sys
from functools import partial
from pathlib import Path

import cv2
import pytest
from small_night import Lab
from threadpoolctl import threadpool_info
from whole import stored

from coverage_lab.errors import ExitCode
from coverage_lab.season import ledger, work
from coverage_lab.season.batch import measure_all
from coverage_lab.season.jobs import find_jobs
from coverage_lab.season.pool import processes
from coverage_lab.season.wanted import look_through


def summary_of(night: Path) -> list[str]:
    with (night / "results" / "summary.csv").open(encoding="utf-8", newline="") as text:
        return [row["key"].rpartition("/")[2] for row in csv.DictReader(text)]


def another_night(lab: Lab) -> Path:
    return Path(shutil.copytree(lab.night, lab.season / "2031-02-12"))


def test_two_workers_store_what_one_process_does(done: Lab):
    alone = stored(done.night)
    shutil.rmtree(done.night / "results")
    measure_all(look_through(find_jobs([done.season])), lambda outcome: None, start=partial(processes, 2), in_flight=4)
    assert stored(done.night) == alone
    assert len(alone) == 8


def test_an_interrupted_pass_closes_its_night(lab: Lab):
    def interrupt(outcome: object) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        measure_all(look_through(find_jobs([lab.season])), interrupt)
    results = lab.night / "results"
    assert summary_of(lab.night) == ["heron-1"]
    assert sorted(path.name for path in results.iterdir()) == ["heron-1", "runs.csv", "summary.csv"]
    assert lab.measure().lines[-1] == "1 measured, 0 refused, 0 failed, 1 done before"
    assert summary_of(lab.night) == ["heron-1", "heron-2"]


@pytest.mark.parametrize("spoil", ["summary", "staging"])
def test_a_pass_that_was_killed_before_its_summary_is_closed_by_the_next(done: Lab, spoil: str):
    summary = done.night / "results" / "summary.csv"
    whole = summary.read_bytes()
    if spoil == "summary":
        summary.unlink()
    else:
        summary.write_bytes(whole.splitlines(keepends=True)[0])
        (done.night / "results" / ".staging" / "heron-2").mkdir(parents=True)
    assert done.measure().lines == ["nothing new to do"]
    assert summary.read_bytes() == whole
    assert not (done.night / "results" / ".staging").exists()


def test_what_a_dead_worker_left_is_not_taken_for_the_run_s(lab: Lab):
    """A worker dies after it drew a picture; the second try is refused, and has none."""
    (job,) = find_jobs([lab.season])
    shared = work.share(job.night, job.runs, "token")
    task = work.Task(job.runs[0], job.night, shared, lab.night / "results" / ".staging" / "heron-1")
    assert work.work(task).verdict == "measured"
    shutil.copy(lab.night / "reference.jpg", lab.night / "heron-1.jpg")
    assert work.work(task).verdict == "refused"
    assert sorted(path.name for path in task.staged.iterdir()) == ["made.json", "measures.json", "overlay.png"]
    assert work.fail(task, ValueError("died")).verdict == "failed"
    assert sorted(path.name for path in task.staged.iterdir()) == ["made.json", "measures.json"]


def test_a_mistake_of_ours_in_the_camera_fit_concerns_its_night_only(lab: Lab, monkeypatch: pytest.MonkeyPatch):
    other = another_night(lab)
    real = work.set_up

    def set_up(night, runs):
        return real(night, runs) if night.folder == other.resolve() else 1 // 0

    monkeypatch.setattr(work, "set_up", set_up)
    told = lab.measure(lab.season)
    assert told.code == ExitCode.SOME_FAILED
    for run in ("heron-1", "heron-2"):
        told.line(f"2031-02-11/{run}: failed: ZeroDivisionError", "test_continued.py", "please report it.")
        told.line(f"2031-02-12/{run}: measured")


def test_files_that_were_touched_only_are_read_once_more(done: Lab, monkeypatch: pytest.MonkeyPatch):
    for name in ("heron-1.jpg", "room.geojson"):
        (done.night / name).touch()
    before = {path: path.read_bytes() for path in done.night.glob("results/*/measures.json")}
    assert done.measure().lines == ["nothing new to do"]
    monkeypatch.setattr(ledger, "_read_sha256", lambda path, stamp: pytest.fail(f"{path} was read"))
    assert done.measure().lines == ["nothing new to do"]
    assert {path: path.read_bytes() for path in before} == before
    (job,) = find_jobs([done.season])
    made = ledger.read_made(done.night / "results" / "heron-1")
    assert made["stamps"] == ledger.stamps(ledger.sources(job.runs[0], job.night), job.night)


def test_a_dry_run_remembers_nothing(done: Lab):
    (done.night / "heron-1.jpg").touch()
    made = done.night / "results" / "heron-1" / "made.json"
    before = made.read_bytes()
    done.measure("--dry-run", done.season)
    assert made.read_bytes() == before


def test_former_numbers_are_kept_by_their_digest(done: Lab):
    folder = done.night / "results" / "heron-1"
    versions = [(folder / "measures.json").read_bytes()]
    for cell_mm in (5, 4, 6):
        done.edit(done.night / "night.toml", "cell_mm = ", f"cell_mm = {cell_mm} # ")
        done.measure(done.night / "heron-1")
        versions.append((folder / "measures.json").read_bytes())
    kept = {path.read_bytes() for path in (folder / "earlier").iterdir()}
    assert versions[2] == versions[0]  # 4 mm again: the same numbers
    assert kept == {versions[0], versions[1]}


# Child after child dies by SIGKILL just before the first, second ... change to its results folder, which is renaming or
# removing a file, until one comes to its end.
DIE_AT_EACH = """
import os, shutil, signal, sys
from itertools import count
from pathlib import Path
from coverage_lab.files import results
staged, former, steps = map(Path, sys.argv[1:])
left = 0
def dying(real):
    def call(*args, **how):
        global left
        left -= 1
        if not left: os.kill(os.getpid(), signal.SIGKILL)
        return real(*args, **how)
    return call
Path.replace, Path.unlink = dying(Path.replace), dying(Path.unlink)
for left in count(1):
    source, place = (Path(shutil.copytree(one, steps / str(left) / one.name)) for one in (staged, former))
    child = os.fork()
    if not child:
        results.place_results(source, place)
        os._exit(0)
    if not os.waitpid(child, 0)[1]:
        break
print(left - 1)
"""


def files_in(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()}


def test_killed_at_any_step_of_the_move_into_place(done: Lab, tmp_path: Path):
    """Other numbers are moved over former ones; before every step the process is killed, then the run continued."""
    folder = done.night / "results" / "heron-1"
    former = tmp_path / "former"
    shutil.copytree(folder, former)
    done.edit(done.night / "night.toml", "cell_mm = 4", "cell_mm = 10")
    done.measure(done.night / "heron-1")
    whole, staged = stored(done.night), tmp_path / "staged"
    shutil.copytree(folder, staged, ignore=shutil.ignore_patterns("earlier"))
    command = [sys.executable, "-c", DIE_AT_EACH, staged, former, tmp_path / "steps"]
    steps = int(subprocess.run(command, check=True, capture_output=True).stdout)
    assert steps > 7  # five files moved, one kept, made.json taken away first
    for step in range(1, steps + 1):
        shutil.rmtree(folder)
        shutil.copytree(tmp_path / "steps" / str(step) / "former", folder)
        assert not (folder / "made.json").exists() or files_in(folder) in (files_in(former), files_in(staged))
        (done.night / "results" / ".staging").mkdir()
        done.measure(done.night / "heron-1")
        assert stored(done.night) == whole
        assert [path.read_bytes() for path in (folder / "earlier").iterdir()] == [
            (former / "measures.json").read_bytes()
        ]


def threads(_: int) -> tuple[int, set[int]]:
    return cv2.getNumThreads(), {library["num_threads"] for library in threadpool_info()}


def test_a_worker_has_one_thread_of_each_library(monkeypatch: pytest.MonkeyPatch):
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        monkeypatch.setenv(name, "4")
    with processes(1) as one:
        of_opencv, of_others = one.submit(threads, 0).result()
    assert of_opencv == 1
    assert of_others == {1}


def test_what_is_sent_to_a_worker_is_small(lab: Lab):
    """A run's task carries the night's camera and room, no picture."""
    shutil.copy(lab.night / "reference.jpg", lab.night / "dark.jpg")
    lab.edit(lab.night / "night.toml", "reference =", 'dark = "dark.jpg"\nreference =')
    (job,) = find_jobs([lab.season])
    task = work.Task(job.runs[0], job.night, work.share(job.night, job.runs, "token"), lab.night)
    assert len(pickle.dumps(task)) < 50_000


def test_frames_of_one_name_in_two_camera_folders_are_told_apart(lab: Lab):
    """What lies in made.json is each file's own content, whoever decoded it."""
    files = {}
    for folder in ("100CAMRA", "101CAMRA"):
        (lab.night / folder).mkdir()
        files[f"{folder}/DSC_0001.jpg"] = lab.night / folder / "DSC_0001.jpg"
        files[f"{folder}/DSC_0001.jpg"].write_text(folder)
    sha256 = work._as_decoded(files, {"100CAMRA/DSC_0001.jpg": ledger.content_sha256(files["100CAMRA/DSC_0001.jpg"])})
    assert sha256 == {name: ledger.content_sha256(path) for name, path in files.items()}
    assert len(set(sha256.values())) == 2
