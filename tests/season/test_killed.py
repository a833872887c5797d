"""Batches and workers that are killed at random moments: continued, nothing lost, nothing double, results equal."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from coverage_lab.simulate.night import NightPlan, write_season
from coverage_lab.simulate.robots import FLOCK
from coverage_lab.simulate.rooms import study

MOMENTS = 20


@pytest.fixture(scope="module")
def tiny_season(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One exposure of half a megapixel, which serves for two runs."""
    folder = tmp_path_factory.mktemp("tiny") / "season-2031"
    night = write_season(folder, NightPlan(room=study(), drivers=FLOCK[:1], megapixels=0.5))
    with (night / "night.toml").open("a", encoding="utf-8") as table:
        table.write("\n[settings]\ncell_mm = 10\n")
    with (night / "runs.csv").open("a", encoding="utf-8") as sheet:
        shutil.copy(night / "heron-1.jpg", night / "heron-2.jpg")
        sheet.write("heron-2,heron,2,heron-2.jpg\n")
    return folder


def killing(what: str, season: Path) -> dict[str, int]:
    script = Path(__file__).with_name("killing.py")
    one_thread = os.environ | {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    command = [sys.executable, script, what, season, str(MOMENTS)]
    done = subprocess.run(command, capture_output=True, text=True, check=True, env=one_thread, timeout=600)
    return dict(json.loads(done.stdout.splitlines()[-1]))


def test_a_batch_killed_at_twenty_moments(tiny_season: Path, tmp_path: Path):
    found = killing("batches", Path(shutil.copytree(tiny_season, tmp_path / "season")))
    assert found.pop("unfinished") >= MOMENTS // 2
    assert found == {"different": 0, "litter": 0, "not done": 0}


def test_workers_killed_at_twenty_moments(tiny_season: Path, tmp_path: Path):
    found = killing("workers", Path(shutil.copytree(tiny_season, tmp_path / "season")))
    assert found == {"killed": MOMENTS, "different": 0, "not done": 0}
