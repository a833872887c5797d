"""What a season costs beside measuring: in time, in memory, and how both grow with the number of runs.

Run with `python -m pytest --benchmark-only`. Times are compared within one run of one process, or are those of the
processor, so that the speed of the machine cancels out.
"""

from __future__ import annotations

import resource
import shutil
import time
from functools import partial
from pathlib import Path
from statistics import median

import cv2
import pytest
from seasons import Paused, Remembering, make_season, measure_season
from stored_seasons import some_measures, store, write_sheet
from threadpoolctl import threadpool_limits

from coverage_lab.season.index import Index, open_index
from coverage_lab.season.pool import processes


@pytest.fixture(autouse=True)
def one_thread():
    cv2.setNumThreads(1)
    with threadpool_limits(1):
        yield


def resident_mb(pid: int | str = "self") -> float:
    """What a process holds of the machine's memory."""
    lines = Path(f"/proc/{pid}/status").read_text("ascii").splitlines()
    return next(int(line.split()[1]) / 1024 for line in lines if line.startswith("VmRSS"))


def used_s(who: int) -> float:
    """Processor time of this process, or of children that have ended."""
    facts = resource.getrusage(who)
    return facts.ru_utime + facts.ru_stime


def test_two_workers_are_1_8_times_as_fast_as_one_and_the_parent_does_3_percent(benchmark, tmp_path):
    season = make_season(tmp_path, 40, megapixels=12.0, cell_mm=2)

    def pass_s(workers: int) -> float:
        shutil.rmtree(season / "night-1" / "results", ignore_errors=True)
        begun = time.perf_counter()
        assert measure_season(season, start=partial(processes, workers), in_flight=2 * workers).totals["measured"] == 40
        return time.perf_counter() - begun

    def pass_cpu_s(workers: int) -> tuple[float, float, float]:
        """Wall time, and processor time of parent and workers."""
        own_s, theirs_s = used_s(resource.RUSAGE_SELF), used_s(resource.RUSAGE_CHILDREN)
        wall_s = pass_s(workers)
        return wall_s, used_s(resource.RUSAGE_SELF) - own_s, used_s(resource.RUSAGE_CHILDREN) - theirs_s

    one_s, own_s, theirs_s = pass_cpu_s(1)
    two_s, own_two_s, theirs_two_s = benchmark.pedantic(pass_cpu_s, (2,), rounds=1)
    parent = own_s / (own_s + theirs_s)
    dearer = (own_two_s + theirs_two_s) / (own_s + theirs_s)  # what working side by side costs the processor
    benchmark.extra_info.update(speed_up=one_s / two_s, parent_percent=100 * parent, dearer=dearer)
    assert parent < 0.03
    assert one_s / two_s >= 1.8


def test_a_second_pass_over_2000_runs_takes_at_most_2_percent_of_the_first(benchmark, tmp_path, monkeypatch):
    """The first pass is timed on the first forty runs and counted fifty times; the others are not really measured."""
    season = make_season(tmp_path, 2000)
    begun = time.perf_counter()
    assert measure_season(season / "night-1").totals["measured"] == 40
    first_s = 50 * (time.perf_counter() - begun)
    Remembering(monkeypatch)
    assert measure_season(season).totals["measured"] == 1960
    begun = time.perf_counter()
    done = benchmark.pedantic(measure_season, (season,), rounds=1)
    second_s = time.perf_counter() - begun
    assert done.totals["done"] == 2000
    benchmark.extra_info["percent"] = 100 * second_s / first_s
    assert second_s <= 0.02 * first_s


def test_the_parent_s_memory_is_flat_and_its_time_linear(benchmark, tmp_path, monkeypatch):
    """Memory after a season of 100 runs and after one of 5000; a run's time around the 2000th and after the 100th."""
    few, season = make_season(tmp_path / "few", 100), make_season(tmp_path / "many", 5000)
    Remembering(monkeypatch)
    measure_season(few)
    few_mb = resident_mb()
    times_s: list[float] = []
    mark = partial(Paused, lambda: times_s.append(time.process_time()))
    benchmark.pedantic(measure_season, (season,), {"start": mark}, rounds=1)
    growth = resident_mb() / few_mb
    slower = (times_s[2400] - times_s[1600]) / (times_s[900] - times_s[100])
    benchmark.extra_info.update(memory_growth=growth, slower_at_2000=slower)
    assert 0.9 <= growth <= 1.1
    assert slower <= 1.1


def test_a_worker_s_memory_is_flat_over_200_runs(benchmark, tmp_path):
    season = make_season(tmp_path, 200)
    held = []

    def start():
        executor = processes(1)
        executor.submit(int).result()
        (worker,) = executor._processes
        held.append(worker)
        return executor

    sizes: list[float] = []
    report = {"report": lambda _: sizes.append(resident_mb(held[0]))}
    benchmark.pedantic(measure_season, (season,), {"start": start, "in_flight": 2, **report}, rounds=1)
    early, late = median(sizes[20:40]), median(sizes[-20:])
    benchmark.extra_info.update(early_mb=early, late_mb=late)
    assert late <= 1.1 * early


@pytest.fixture(scope="module")
def ten_thousand(tmp_path_factory) -> Path:
    """Results of 10,000 runs, each with forty pockets, in 250 nights."""
    season = tmp_path_factory.mktemp("many") / "season"
    for night in range(1, 251):
        ids = [f"heron-{repeat}" for repeat in range(1, 41)]
        for run in ids:
            store(season, some_measures(f"night-{night}/{run}", pockets=40))
        write_sheet(season / f"night-{night}", *(f"{run},heron,,," for run in ids))
    return season


def test_the_index_of_10000_runs_is_made_within_a_minute_and_is_flat_per_run(benchmark, ten_thousand):
    (ten_thousand / "season.db").unlink(missing_ok=True)
    folders = [ten_thousand / f"night-{n}" / "results" / f"heron-{r}" for n in range(1, 251) for r in range(1, 41)]
    times = []
    with Index(ten_thousand, ten_thousand / "season.db") as index:
        for number in range(0, 10_000, 100):
            begun = time.process_time()
            index.take(folders[number : number + 100])
            times.append(time.process_time() - begun)
    flat = median(times[-20:]) / median(times[:20])
    (ten_thousand / "season.db").unlink()

    def rebuild() -> int:
        with open_index(ten_thousand) as index:
            return sum(1 for _ in index.rows())

    begun = time.perf_counter()
    assert benchmark.pedantic(rebuild, rounds=1) == 10_000
    rebuild_s = time.perf_counter() - begun
    benchmark.extra_info.update(slower_at_10000=flat, rebuild_s=rebuild_s)
    assert flat <= 1.2
    assert rebuild_s <= 60


def test_10000_runs_are_read_in_flat_memory(benchmark, ten_thousand):
    with open_index(ten_thousand) as index:
        runs = index.runs()
        for _ in range(100):
            next(runs)
        before = resident_mb()
        benchmark.pedantic(lambda: sum(1 for _ in runs), rounds=1)
    benchmark.extra_info["grown_mb"] = resident_mb() - before
    assert resident_mb() <= 1.1 * before
