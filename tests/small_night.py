"""A season with one small simulated night, for tests of whole commands to spoil one thing at a time."""

from __future__ import annotations

import json
import shutil
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from coverage_lab.cli import main
from coverage_lab.simulate.night import NIGHT, NightPlan, write_season
from coverage_lab.simulate.robots import FLOCK
from coverage_lab.simulate.rooms import study

Features = list[dict[str, Any]]


def make_season(folder: Path) -> Path:
    """Simulate heron once; its exposure serves for two runs. Returns the season."""
    night = write_season(folder, NightPlan(room=study(), drivers=FLOCK[:1], megapixels=0.5))
    shutil.copy(night / "heron-1.jpg", night / "heron-2.jpg")
    with (night / "runs.csv").open("a", encoding="utf-8") as sheet:
        sheet.write("heron-2,heron,2,heron-2.jpg\n")
    with (night / "night.toml").open("a", encoding="utf-8") as table:
        table.write("\n[settings]\ncell_mm = 4\n")
    return folder


@dataclass(frozen=True)
class Told:
    """What a command told: its exit code, the lines on standard error, and standard output."""

    code: int
    lines: list[str]
    out: str

    def line(self, *words: str) -> str:
        """Return the one line with all the words."""
        found = [line for line in self.lines if all(word in line for word in words)]
        assert len(found) == 1, "\n".join(self.lines)
        return found[0]


@dataclass(frozen=True)
class Lab:
    """A copy of the season, and the command line."""

    season: Path
    monkeypatch: pytest.MonkeyPatch
    capsys: pytest.CaptureFixture[str]

    @property
    def night(self) -> Path:
        return self.season / NIGHT

    def run(self, *arguments: str | Path) -> Told:
        """Run `coverage-lab` in this process."""
        self.monkeypatch.setattr(sys, "argv", ["coverage-lab", *map(str, arguments)])
        with pytest.raises(SystemExit) as stop:
            main()
        told = self.capsys.readouterr()
        return Told(int(stop.value.code or 0), told.err.splitlines(), told.out)

    def measure(self, *arguments: str | Path) -> Told:
        """Measure in this process, without workers."""
        return self.run("measure", "--workers", "1", *(arguments or [self.night]))

    def measures(self, run: str = "heron-1") -> dict[str, Any]:
        return dict(json.loads((self.night / "results" / run / "measures.json").read_text(encoding="utf-8")))

    def edit(self, path: Path, old: str, new: str) -> None:
        text = path.read_text(encoding="utf-8")
        assert old in text
        path.write_text(text.replace(old, new), encoding="utf-8")

    def edit_room(self, change: Callable[[Features], object]) -> None:
        path = self.night / "room.geojson"
        content = json.loads(path.read_text(encoding="utf-8"))
        change(content["features"])
        path.write_text(json.dumps(content), encoding="utf-8")
