"""Seasons of stored results that nobody measured, for tests and benchmarks of what reads them."""

from __future__ import annotations

from pathlib import Path

from coverage_lab.files.measures import measures_to_json, to_bytes
from coverage_lab.job import METHOD, Quality, Quantity
from coverage_lab.measures.values import Coverage, FloorFacts, Measures, Pattern, Pocket


def known(value: float, u: float = 0.2) -> Quantity:
    return Quantity(value, u, (value - 2 * u, value + 2 * u))


def a_pocket(number: int) -> Pocket:
    return Pocket(number, known(90.0), known(80.0), (1.0, 2.0), (1.1, 2.1), "open floor", None, False)


def some_measures(key: str, percent: float = 90.0, *, pockets: int = 2, **conditions: str) -> Measures:
    robot, _, repeat = key.split("/")[1].partition("-")
    return Measures(
        key=key,
        robot=robot,
        repeat=int(repeat) if repeat.isdigit() else None,
        trial="coverage",
        conditions=conditions,
        verdict="measured",
        reason=None,
        quality=(Quality("hidden-floor", "note", "1.6 % of free floor cannot be seen"),),
        floor=FloorFacts(9.5, 9.4, 0.1, 8.7, 0.8),
        coverage=Coverage(known(percent), known(percent + 5), (percent - 1, percent + 1), known(8.5), None, {}, {}),
        pockets=tuple(a_pocket(number) for number in range(1, pockets + 1)),
        pattern=Pattern(known(60.0, 4), "lanes", 0.9, 0.8, 0.7),
    )


def store(season: Path, measures: Measures) -> Path:
    """Write a run's results as `measure` does, without the disk being waited for; return their folder."""
    night, run = measures.key.split("/")
    folder = season / night / "results" / run
    folder.mkdir(parents=True, exist_ok=True)
    (season / night / "night.toml").touch()
    made = {
        "schema": "coverage-lab/made/1",
        "made_utc": "2031-02-12T08:00:00+00:00",
        "coverage_lab": "0.1.0",
        "method": METHOD,
        "settings": {"cell_m": 0.002},
        "sha256": {"room": "ab" * 32, f"{run}.jpg": "cd" * 32},
        "digest": "ef" * 32,
    }
    (folder / "measures.json").write_bytes(to_bytes(measures_to_json(measures)))
    (folder / "made.json").write_bytes(to_bytes(made))
    return folder


def write_sheet(night: Path, *rows: str) -> None:
    (night / "runs.csv").write_text("\n".join(["run,robot,repeat,use,replaces", *rows, ""]), encoding="utf-8")
