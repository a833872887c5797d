"""Fixtures that many tests share."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from hypothesis import settings

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
