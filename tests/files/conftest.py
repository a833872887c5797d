"""A season on disk, sound in every file, for tests to spoil one thing at a time."""

from __future__ import annotations

from pathlib import Path

import pytest
from file_samples import ROBOTS_TOML, sample_room

from coverage_lab.files.room import write_room


@pytest.fixture
def night(tmp_path: Path) -> Path:
    """A night's folder inside its season, with a register, a room and a run of one picture."""
    season = tmp_path / "season-2031"
    folder = season / "2031-02-11"
    folder.mkdir(parents=True)
    (season / "robots.toml").write_text(ROBOTS_TOML, encoding="utf-8")
    (folder / "night.toml").write_text('reference = "reference.jpg"\n', encoding="utf-8")
    write_room(sample_room(), folder / "room.geojson")
    for name in ("reference.jpg", "heron-1.jpg"):
        (folder / name).write_bytes(b"")
    return folder
