"""A cluster on this machine, started as docs/cluster.md says: equal results, and what dies is told, not waited for."""

from __future__ import annotations

import os
import re
import shlex
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from concurrent.futures import BrokenExecutor
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import psutil
import pytest
from small_night import Lab

from coverage_lab import __version__
from coverage_lab.errors import BadInput, ExitCode
from coverage_lab.job import METHOD, Run
from coverage_lab.season import cluster as cluster_module
from coverage_lab.season.cluster import Cluster, NoCluster, Probe, crew_of, judge, moved, read_path_map
from coverage_lab.season.pool import Pool

PAGE = Path(__file__).parents[2] / "docs" / "cluster.md"
ADDRESS = "tcp://127.0.0.1:8786"


def commands() -> tuple[list[str], list[str], list[str]]:
    """The page's example: scheduler, workers, measure; each as its words."""
    blocks = re.findall(r"^```bash\n(.*?)^```$", PAGE.read_text(encoding="utf-8"), re.MULTILINE | re.DOTALL)
    scheduler, workers, measure, *_ = (shlex.split(block) for block in blocks)
    return scheduler, workers, measure


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


class Machines:
    """The page's scheduler and workers, on a port that is free."""

    def __init__(self, log: Path) -> None:
        self.port, self.log = free_port(), log.open("wb")
        self.address = ADDRESS.replace("8786", str(self.port))
        scheduler, workers, _ = commands()
        self.scheduler = self._start(scheduler)
        self.nannies = self._start(workers)

    def _start(self, words: list[str]) -> psutil.Popen:
        assert words[0] == "dask"
        words = [word.replace("8786", str(self.port)) for word in words[1:]]
        program = [sys.executable, "-m", "dask", *words]
        here = Path(self.log.name).parent
        known = os.environ | {
            "PYTHONPATH": os.pathsep.join(sys.path),  # jobs of this module are loaded there too
            "DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES": "0",  # as the page advises
        }
        return psutil.Popen(program, stdout=self.log, stderr=subprocess.STDOUT, cwd=here, env=known)

    def wait_for_workers(self, count: int = 2) -> None:
        from distributed import Client

        with Client(self.address, timeout=30, set_as_default=False) as client:
            client.wait_for_workers(count, timeout=60)

    def busy_worker(self) -> psutil.Process:
        """Wait until a worker is in the midst of a run; return its process."""
        workers = self.nannies.children(recursive=True)
        idle_s = {one.pid: one.cpu_times().user for one in workers}
        until = time.monotonic() + 60
        while time.monotonic() < until:
            for one in workers:
                if one.cpu_times().user - idle_s[one.pid] > 0.3:  # far less than a run takes
                    return one
            time.sleep(0.02)
        pytest.fail("no worker was ever busy")

    def alive(self) -> bool:
        return all(one.is_running() and one.status() != psutil.STATUS_ZOMBIE for one in (self.nannies, self.scheduler))

    def end(self) -> None:
        for one in (self.nannies, self.scheduler):
            if one.is_running():
                for process in [*one.children(recursive=True), one]:
                    with_end(process)
                one.wait(10)
        self.log.close()


def with_end(process: psutil.Process) -> None:
    with suppress(psutil.NoSuchProcess):
        process.kill()


@pytest.fixture(scope="module")
def started(tmp_path_factory: pytest.TempPathFactory) -> Iterator[list[Machines]]:
    """The machines that run, if any: to start them takes seconds, so tests share them until one has broken them."""
    running: list[Machines] = []
    yield running
    for one in running:
        one.end()


@pytest.fixture
def machines(started: list[Machines], tmp_path_factory: pytest.TempPathFactory) -> Machines:
    if started and not started[0].alive():
        started.pop().end()
    if not started:
        started.append(Machines(tmp_path_factory.mktemp("cluster") / "log.txt"))
    started[0].wait_for_workers()
    return started[0]


def die_if_asked(job: str) -> str:
    """A job on a worker: "die" kills its worker each time, a path kills it the first time."""
    if job == "die":
        os.kill(os.getpid(), signal.SIGKILL)
    if job.startswith("/") and not Path(job).exists():
        Path(job).touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return job.rpartition("/")[2]


def numbers(night: Path) -> dict[str, bytes]:
    return {path.parent.name: path.read_bytes() for path in night.glob("results/*/measures.json")}


def test_the_example_gives_the_same_numbers_as_this_machine(done: Lab, machines: Machines):
    alone = numbers(done.night)
    assert len(alone) == 2
    shutil.rmtree(done.night / "results")
    program, *words = commands()[2]
    assert program == "coverage-lab"
    words = [str(done.season) if word == "sample_frames" else word.replace(ADDRESS, machines.address) for word in words]
    told = done.run(*words)
    assert (told.code, told.lines[-1]) == (ExitCode.DONE, "2 measured, 0 refused, 0 failed")
    assert numbers(done.night) == alone
    assert not list(done.night.glob("results/.*"))
    assert done.run(*words).lines == ["nothing new to do"]


def test_a_worker_lost_in_mid_run_changes_no_number(done: Lab, machines: Machines):
    alone = numbers(done.night)
    shutil.rmtree(done.night / "results")
    killed: list[int] = []

    def kill_one() -> None:
        busy = machines.busy_worker()
        busy.kill()
        killed.append(busy.pid)

    killer = threading.Thread(target=kill_one)
    killer.start()
    told = done.run("measure", done.season, "--cluster", machines.address)
    killer.join()
    assert killed
    assert told.code == ExitCode.DONE
    assert numbers(done.night) == alone


def test_workers_that_have_the_season_elsewhere(lab: Lab, machines: Machines, tmp_path: Path):
    elsewhere = tmp_path / "mounted"
    elsewhere.symlink_to(lab.season.parent)
    told = lab.run(
        "measure", lab.season, "--cluster", machines.address, "--path-map", f"{lab.season.parent}={elsewhere}"
    )
    assert told.code == ExitCode.DONE
    assert len(numbers(lab.night)) == 2
    told = lab.run(
        "measure", lab.season, "--again", "--cluster", machines.address, "--path-map", f"{lab.season.parent}=/nowhere"
    )
    assert told.code == ExitCode.BAD_INPUT
    assert all("does not see" in line and "--path-map" in line for line in told.lines)
    assert len(told.lines) == 2  # each worker
    assert not list(lab.night.glob("results/.*"))


def test_a_job_that_kills_its_worker_each_time_fails_and_the_others_are_done(tmp_path: Path, machines: Machines):
    start, _ = crew_of(machines.address, [tmp_path], ())
    once = str(tmp_path / "once")
    with Pool(die_if_asked, start, 3) as pool:
        done = dict(pool.results(["a", once, "b", "die", "c", "d"]))
    assert isinstance(done.pop("die"), BrokenExecutor)
    assert done == {"a": "a", once: "once", "b": "b", "c": "c", "d": "d"}


@pytest.mark.parametrize("address", ["tcp://127.0.0.1:PORT", "nonsense", "tcp://127.0.0.1"])
def test_a_scheduler_that_is_not_there_is_told_in_seconds(lab: Lab, address: str):
    address = address.replace("PORT", str(free_port()))
    began = time.monotonic()
    told = lab.run("measure", lab.season, "--cluster", address)
    assert time.monotonic() - began < 10
    assert told.code == ExitCode.BAD_INPUT
    told.line(address, "no scheduler answers", "docs/cluster.md")


def test_a_worker_that_would_give_other_numbers_or_none_is_named(tmp_path: Path):
    mark = tmp_path / "results" / ".probe"
    good = Probe(__version__, METHOD, (True,))
    assert judge("w", good, [mark]) == []
    for answer, word in (
        (replace(good, version="0.0"), "has coverage-lab 0.0"),
        (replace(good, method=METHOD + 1), f"method {METHOD + 1}"),
        (replace(good, sees=(False,)), f"does not see {tmp_path}"),
        (ModuleNotFoundError("coverage_lab"), "cannot run coverage-lab"),
    ):
        (problem,) = judge("w", answer, [mark])
        assert word in problem.wrong


def test_a_worker_that_works_on_several_runs_at_once_is_refused(tmp_path: Path):
    from distributed import LocalCluster

    with (
        LocalCluster(
            n_workers=1, threads_per_worker=2, processes=False, protocol="tcp://", dashboard_address=":0"
        ) as local,
        pytest.raises(NoCluster, match=r"works on 2 runs at once\. Start it with --nthreads 1"),
    ):
        Cluster(local.scheduler_address, (tmp_path,), ())
    assert not list(tmp_path.iterdir())


def test_paths_are_moved_however_deep_they_lie(tmp_path: Path):
    run = Run("heron-1", "n/heron-1", "heron", 1, "coverage", (tmp_path / "a.jpg", Path("/else/b.jpg")))
    path_map = read_path_map([f"{tmp_path}=/mnt/lab"])
    assert moved({"run": [run]}, path_map)["run"][0].frames == (Path("/mnt/lab/a.jpg"), Path("/else/b.jpg"))
    assert moved(run, ()) is run


@pytest.mark.parametrize("text", ["", "/data", "=/mnt", "/data=", "/data=mnt"])
def test_a_path_map_that_cannot_be_meant(text: str):
    with pytest.raises(BadInput, match="LOCAL=REMOTE"):
        read_path_map([text])


def test_the_last_worker_and_the_scheduler_lost_in_mid_run(lab: Lab, machines: Machines):
    lab.monkeypatch.setattr(cluster_module, "NO_WORKER_S", 1.0)

    def kill_all() -> None:
        machines.busy_worker()
        for process in [machines.nannies, *machines.nannies.children(recursive=True)]:
            with_end(process)

    killer = threading.Thread(target=kill_all)
    killer.start()
    told = lab.run("measure", lab.season, "--cluster", machines.address)
    killer.join()
    assert told.code == ExitCode.SOME_FAILED
    told.line(machines.address, "the scheduler has no workers")
    assert not (lab.night / "results" / ".lock").exists()
    assert lab.measure().code == ExitCode.DONE
    with_end(machines.scheduler)
    with pytest.raises(NoCluster, match="no scheduler answers"):
        Cluster(machines.address, (lab.night,), ())
