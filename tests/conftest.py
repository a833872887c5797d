"""Fixtures that many tests share."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest
from hypothesis import settings
from small_night import Lab, make_season

settings.register_profile("same every time", derandomize=True, deadline=None)
settings.load_profile("same every time")


@pytest.fixture(scope="session")
def rendered() -> Path:
    """The folder of rendered nights with exact truth."""
    beside = Path(__file__).parents[2] / "shared" / "rendered"
    folder = Path(os.environ.get("COVERAGE_LAB_RENDERED", beside))
    if not (folder / "lanes" / "truth.json").is_file():
        pytest.skip("no rendered nights: set COVERAGE_LAB_RENDERED to their folder")
    return folder


@pytest.fixture(scope="session")
def small_season(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A simulated season of two short runs; copy it before you change it."""
    return make_season(tmp_path_factory.mktemp("made") / "season-2031")


@pytest.fixture
def lab(small_season: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Lab:
    """A copy of the small season, and the command line to run on it."""
    return Lab(Path(shutil.copytree(small_season, tmp_path / "season-2031")), monkeypatch, capsys)
