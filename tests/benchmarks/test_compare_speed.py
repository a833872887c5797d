"""What comparing a large season costs: processor time and memory of the command, from 1,000 to 10,000 runs.

Run with `python -m pytest --benchmark-only`.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from made_up_seasons import write_large_season
from pytest_benchmark.fixture import BenchmarkFixture

COMMAND = [sys.executable, "-c", "from coverage_lab.cli import main; main()", "compare"]
MOST_S, MOST_BYTES = 60.0, 1e9


@pytest.fixture(scope="module")
def seasons(tmp_path_factory: pytest.TempPathFactory) -> dict[int, Path]:
    folders = {runs: tmp_path_factory.mktemp(f"season-{runs}") for runs in (1000, 10_000)}
    for runs, folder in folders.items():
        write_large_season(folder, runs // 3)
    return folders


def cost(season: Path) -> tuple[float, float]:
    """Seconds of a processor and bytes that comparing a season takes."""
    process = subprocess.Popen([*COMMAND, str(season), "--reference", "robot3"], stderr=subprocess.DEVNULL)
    _, status, used = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    assert process.returncode == 0
    return used.ru_utime + used.ru_stime, 1024 * used.ru_maxrss


def test_ten_thousand_runs(benchmark: BenchmarkFixture, seasons: dict[int, Path]):
    for season in seasons.values():
        cost(season)  # the index is made
    few_s, _ = cost(seasons[1000])
    many_s, many_bytes = benchmark.pedantic(cost, args=(seasons[10_000],), rounds=1)
    benchmark.extra_info |= {"few_s": few_s, "many_s": many_s, "megabytes": many_bytes / 1e6}
    assert many_s < MOST_S
    assert many_bytes < MOST_BYTES
    assert many_s < 12 * few_s  # no more than in proportion
