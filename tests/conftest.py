"""Fixtures that many tests share."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import cv2
import pytest
from hypothesis import settings
from small_night import Lab, make_season
from threadpoolctl import threadpool_limits

if TYPE_CHECKING:
    from playwright.sync_api import Browser

settings.register_profile("same every time", derandomize=True, deadline=None)
settings.load_profile("same every time")


def pytest_configure(config: pytest.Config) -> None:
    """Workers side by side use the cores already: threads of theirs would only wait for each other."""
    if hasattr(config, "workerinput"):
        os.environ.update(dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"), "1"))  # also of sub-processes
        threadpool_limits(1)
        cv2.setNumThreads(1)


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


@pytest.fixture(scope="session")
def small_results(small_season: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The small season once it was measured; copy it before you change it."""
    from coverage_lab.season.batch import measure_all
    from coverage_lab.season.jobs import find_jobs
    from coverage_lab.season.wanted import look_through

    season = Path(shutil.copytree(small_season, tmp_path_factory.mktemp("measured") / "season-2031"))
    verdicts: list[str] = []
    measure_all(look_through(find_jobs([season])), lambda outcome: verdicts.append(outcome.verdict))
    assert verdicts == ["measured"] * 2
    return season


@pytest.fixture
def done(
    small_results: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Lab:
    """As `lab`, with results in it: two runs measured, nothing left to do."""
    return Lab(Path(shutil.copytree(small_results, tmp_path / "season-2031")), monkeypatch, capsys)


@pytest.fixture
def lab(small_season: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Lab:
    """A copy of the small season, and the command line to run on it."""
    return Lab(Path(shutil.copytree(small_season, tmp_path / "season-2031")), monkeypatch, capsys)


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """A real Chromium, without network, to open our pages in."""
    from playwright.sync_api import sync_playwright

    switches = ["no-sandbox", "disable-gpu", "disable-quic", "no-first-run"]
    switches += ["disable-background-networking", "disable-component-update", "disable-sync"]
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(
            executable_path=shutil.which("chromium"), args=[f"--{switch}" for switch in switches]
        )
        yield chromium
        chromium.close()
