"""A run's headline numbers as one row: of a night's summary, of the season's index and of its export."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from coverage_lab.files.places import natural
from coverage_lab.files.store import write_file
from coverage_lab.files.table import csv_bytes
from coverage_lab.measures.growth import MILESTONES


def write_summary(folder: Path, runs: Sequence[Mapping[str, Any]]) -> None:
    """Write `summary.csv` into a night's results folder: a row per run, in natural order.

    `runs` are as `measures_to_json` and `read_measures` give them. RFC 4180, UTF-8; text that a spreadsheet
    would run as a formula begins with an apostrophe. Without runs the file is empty. Raises CannotWrite.
    """
    conditions = sorted({name for run in runs for name in run["run"]["conditions"]})
    header = [[*summary_row(runs[0]), *map(condition_column, conditions)]] if runs else []
    rows = [
        [*summary_row(run).values(), *(run["run"]["conditions"].get(name) for name in conditions)]
        for run in sorted(runs, key=lambda run: natural(run["run"]["key"]))
    ]
    write_file(folder / "summary.csv", csv_bytes([*header, *rows]))


def condition_column(name: str) -> str:
    """Return how tables call a condition of the run sheet, so that it never meets one of our columns."""
    return f"condition {name}"


def summary_row(run: Mapping[str, Any]) -> dict[str, Any]:
    """Return a run's cells by column, None where unknown; the same columns for every run."""
    coverage = run["coverage"] or {}
    floor = run["floor"] or {}
    pattern = run["pattern"] or {}
    pockets = run["pockets"]
    low, high = coverage.get("whole_floor_95") or (None, None)
    return {
        **{key: run["run"][key] for key in ("key", "robot", "repeat", "trial")},
        "verdict": run["verdict"],
        "reason": run["reason"],
        **_quantity_columns("coverage_percent", coverage.get("percent")),
        **_quantity_columns("reachable_percent", coverage.get("percent_of_reachable")),
        "whole_floor_percent_low": low,
        "whole_floor_percent_high": high,
        **_quantity_columns("pattern_score", pattern.get("score")),
        "pattern_label": pattern.get("label"),
        "pockets": None if pockets is None else len(pockets),
        "largest_pocket_mm": max((p["diameter_mm"]["value"] for p in pockets or ()), default=None),
        **_time_columns(run["time"] or {}),
        **_quantity_columns("repeat_ratio", (run["passes"] or {}).get("repeat_ratio")),
        **_decoy_columns(run["avoidance"]),
        **{key: floor.get(key) for key in ("free_m2", "visible_m2", "hidden_m2", "reachable_m2")},
        "quality": " ".join(dict.fromkeys(remark["code"] for remark in run["quality"])),
    }


def _time_columns(time: Mapping[str, Any]) -> dict[str, Any]:
    reached = time.get("time_to_s") or {}
    return {
        **{name: time.get(name) for name in ("frames", "duration_s", "duration_u_s", "duration_source")},
        **{f"time_to_{percent}_s": reached.get(str(percent)) for percent in MILESTONES},
        **{name: time.get(name) for name in ("rate_m2_min", "still_s", "at_dock_s", "speed_m_s")},
        **_quantity_columns("distance_m", time.get("distance_m")),
        **_quantity_columns("turns", time.get("turns")),
    }


def _decoy_columns(decoys: Sequence[Mapping[str, Any]] | None) -> dict[str, int | None]:
    verdicts = None if decoys is None else [decoy["verdict"] for decoy in decoys]
    columns = {"decoys_clear": "clear", "decoys_touched": "touched", "decoys_driven_over": "driven over"}
    return {
        "decoys": None if verdicts is None else len(verdicts),
        **{column: None if verdicts is None else verdicts.count(verdict) for column, verdict in columns.items()},
    }


def _quantity_columns(name: str, quantity: Mapping[str, Any] | None) -> dict[str, float | None]:
    value = quantity or {"value": None, "u": None, "interval_95": (None, None)}
    low, high = value["interval_95"]
    return {name: value["value"], f"{name}_u": value["u"], f"{name}_low": low, f"{name}_high": high}
