"""Batches and workers that are killed at random moments: continued, nothing lost, nothing double, results equal."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

from pytest_benchmark.fixture import BenchmarkFixture
from small_night import NIGHT

SOME, MANY = 6, 40  # moments


def killed(small_season: Path, tmp_path: Path, moments: int) -> tuple[dict[str, int], dict[str, int]]:
    """What `killing.py` tells of batches and of workers, on larger cells, which take less time."""
    season = Path(shutil.copytree(small_season, tmp_path / "season"))
    table = season / NIGHT / "night.toml"
    table.write_text(table.read_text(encoding="utf-8").replace("cell_mm = 4", "cell_mm = 10"), encoding="utf-8")
    one_thread = os.environ | {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    command = [sys.executable, Path(__file__).with_name("killing.py"), season, str(moments)]
    done = subprocess.run(command, capture_output=True, text=True, check=True, env=one_thread, timeout=60 * moments)
    batches, workers = json.loads(done.stdout.splitlines()[-1])
    return batches, workers


def check(batches: dict[str, int], workers: dict[str, int], moments: int) -> None:
    assert batches.pop("unfinished") >= moments // 2
    assert batches == {"different": 0, "litter": 0, "not done": 0}
    assert workers == {"killed": moments, "different": 0, "not done": 0}


def test_killed_at_some_moments(small_season: Path, tmp_path: Path):
    check(*killed(small_season, tmp_path, SOME), SOME)


def test_killed_at_many_moments(benchmark: BenchmarkFixture, small_season: Path, tmp_path: Path):
    check(*benchmark.pedantic(killed, (small_season, tmp_path, MANY), rounds=1), MANY)
