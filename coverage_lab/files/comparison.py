"""Write a comparison as tables: JSON with all of it, CSV with a row per robot, a spreadsheet with typed cells."""

from __future__ import annotations

import io
from collections.abc import Iterable, Sequence
from dataclasses import asdict
from datetime import UTC, datetime
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from coverage_lab.compare.values import ComparedRun, Comparison, Family, Robot, Summary
from coverage_lab.files.measures import to_bytes
from coverage_lab.files.store import write_files
from coverage_lab.files.table import csv_bytes

SCHEMA = "coverage-lab/comparison/1"

_DIGITS = 7
_LONGEST_CELL = 32767  # characters that a spreadsheet holds
_NO_TIME = datetime(2000, 1, 1, tzinfo=UTC)  # equal comparisons give equal bytes

Row = Sequence[object]


def write_comparison(folder: Path, comparison: Comparison) -> tuple[Path, ...]:
    """Write comparison.json and comparison.csv into `folder`, and comparison.xlsx if XlsxWriter is installed.

    Returns the files. Raises CannotWrite.
    """
    contents = {
        folder / "comparison.json": to_bytes({"schema": SCHEMA, **_shortened(asdict(comparison))}),
        folder / "comparison.csv": csv_bytes([_shortened(cell) for cell in row] for row in robot_rows(comparison)),
    }
    if find_spec("xlsxwriter") is not None:
        contents[folder / "comparison.xlsx"] = _workbook(comparison)
    write_files(contents)
    return tuple(contents)


def _shortened(value: Any) -> Any:
    """Return a value with its numbers cut to the digits that are the same on every machine."""
    if isinstance(value, float):
        return float(f"{value:.{_DIGITS}g}")
    if isinstance(value, dict):
        return {key: _shortened(one) for key, one in value.items()}
    return [_shortened(one) for one in value] if isinstance(value, (list, tuple)) else value


def robot_rows(comparison: Comparison) -> list[Row]:
    """Return the header and a row per robot: its place, and what its repeats say of each measure."""
    measures = [measure.key for measure in comparison.measures]
    parts = ("n", "mean", "sd", "low_95", "high_95", "repeatability_limit", "u_shared")
    header = [
        *("robot", "runs", "nights", "estimate_percent", "estimate_low_95", "estimate_high_95"),
        *("best_place", "worst_place", "group", "score"),
        *(f"{measure} {part}" for measure in measures for part in parts),
    ]
    scores = {} if comparison.scorecard is None else {one.robot: one.score for one in comparison.scorecard.robots}
    return [header, *(_robot_row(one, measures, scores.get(one.robot)) for one in comparison.robots)]


def _robot_row(robot: Robot, measures: Iterable[str], score: float | None) -> Row:
    return [
        *(robot.robot, robot.runs, robot.nights, robot.estimate_percent, *(robot.estimate_95 or (None, None))),
        *(*(robot.places or (None, None)), robot.group, score),
        *(cell for measure in measures for cell in _summary_cells(robot.summaries.get(measure))),
    ]


def _summary_cells(summary: Summary | None) -> Row:
    if summary is None:
        return [None] * 7
    low, high = summary.interval_95 or (None, None)
    return [summary.n, summary.mean, summary.sd, low, high, summary.repeatability_limit, summary.u_shared]


def _difference_rows(families: Iterable[Family | None]) -> list[Row]:
    header = [
        *("test", "robot", "against", "points", "low_95", "high_95", "p_value", "different", "not_judged"),
        *("odds_ratio", "repeats_needed"),
    ]
    rows: list[Row] = [header]
    for family in families:
        for one in () if family is None else family.differences:
            low, high = one.interval_95 or (None, None)
            rows.append(
                [
                    *(family.test if family else "", one.robot, one.against, one.points, low, high, one.p_value),
                    *(one.different, one.not_judged, one.odds_ratio, one.repeats_needed),
                ]
            )
    return rows


def _run_rows(comparison: Comparison) -> list[Row]:
    measures = [measure.key for measure in comparison.measures]
    header = [
        *("run", "robot", "repeat", "night", "room", "trial", "verdict", "left_out", "quality"),
        *("review", "review_reason", "review_by", "review_utc"),
        *(name for measure in measures for name in (measure, f"{measure} u")),
    ]
    return [header, *(_run_row(run, measures) for run in comparison.runs)]


def _run_row(run: ComparedRun, measures: Iterable[str]) -> Row:
    return [
        *(run.key, run.robot, run.repeat, run.night, run.room, run.trial, run.verdict, run.left_out),
        " ".join(dict.fromkeys(remark.code for remark in run.quality)),
        *(run.review, run.review_reason, run.review_by, run.review_utc),
        *(cell for measure in measures for cell in (run.values.get(measure), run.u.get(measure))),
    ]


def _about_rows(comparison: Comparison) -> list[Row]:
    return [
        ("season", comparison.season),
        ("trial", comparison.trial),
        *(("room", room) for room in comparison.rooms),
        *(("common floor of " + one.room, f"{one.common_m2:.3f} m²") for one in comparison.floors),
        *(("method", method) for method in comparison.methods),
        *((f"settings {digest}", str(settings)) for digest, settings in comparison.settings.items()),
        *(("version", version) for version in comparison.versions),
        *(("note", note) for note in (comparison.model.notes if comparison.model else ())),
        *(("warning", warning) for warning in comparison.warnings),
        *(("could not be read", problem) for problem in comparison.problems),
    ]


def _workbook(comparison: Comparison) -> bytes:
    """Return a spreadsheet; text stays text, whatever it begins with."""
    import xlsxwriter

    stream = io.BytesIO()
    plain = {"strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
    with xlsxwriter.Workbook(stream, {**plain, "constant_memory": True, "in_memory": False}) as book:
        book.set_properties({"created": _NO_TIME})
        bold = book.add_format({"bold": True})
        for name, rows, widest in (
            ("Robots", robot_rows(comparison), 20),
            ("Differences", _difference_rows((comparison.tukey, comparison.dunnett)), 18),
            ("Runs", _run_rows(comparison), 20),
            ("About", _about_rows(comparison), 40),
        ):
            sheet = book.add_worksheet(name)
            headed = name != "About"
            sheet.set_column(0, max(len(rows[0]) - 1, 1), widest)
            if headed:
                sheet.freeze_panes(1, 1)
            for at, row in enumerate(rows):
                _write_row(sheet, at, row, bold if headed and at == 0 else None)
    return stream.getvalue()


def _write_row(sheet: Any, at: int, row: Row, style: Any) -> None:
    for column, cell in enumerate(row):
        if isinstance(cell, str):
            # Surrogates stand for file names that are no Unicode.
            sheet.write_string(at, column, cell.encode("utf-8", "backslashreplace").decode()[:_LONGEST_CELL], style)
        elif isinstance(cell, bool):
            sheet.write_boolean(at, column, cell, style)
        elif isinstance(cell, (int, float)):
            sheet.write_number(at, column, _shortened(cell), style)
