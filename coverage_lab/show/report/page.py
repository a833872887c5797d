"""The report page: one HTML file that opens from disk, without a network, and prints."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Mapping, Sequence
from importlib.resources import files
from typing import Any

from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from coverage_lab.compare.values import HEADLINE, ComparedRun, Comparison, Difference, Measure, Robot, Summary
from coverage_lab.measures.uncertainty import coverage_factor_95
from coverage_lab.show.report.values import Chart, Runs

LARGEST_SVG = 200_000  # bytes
MOST_INLINED = 1200  # thumbnails; of larger seasons they lie beside the page
DASH = "—"


def report_page(
    comparison: Comparison,
    charts: Sequence[Chart],
    runs: Runs,
    thumbnails: Mapping[str, str],
    method: Mapping[str, str],
) -> str:
    """Return the page, HTML.

    thumbnails : by run's key where its small picture is: a data URI, or a path from the page. method : what the page
    says of how the numbers were made, label and text. Everything in it that people wrote is escaped; the page may run
    its own script only, and load pictures only (Content Security Policy Level 3, W3C).
    """
    rows = [_row(number, run, runs, thumbnails) for number, run in enumerate(comparison.runs, 1)]
    script, style = _part("report.js"), _part("report.css")
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    environment.filters |= {"number": number, "span": span, "interval_of": interval_of}
    return environment.from_string(_part("report.html")).render(
        comparison=comparison,
        headline=HEADLINE,
        words=summary_words(comparison),
        charts=[(chart, _chart_uri(chart)) for chart in charts],
        table_measures=[measure for measure in comparison.measures if measure.key != "coverage_percent"],
        rows=rows,
        sections=_sections(comparison, rows),
        method=method,
        script=Markup(script),
        script_hash=Markup(_sha256(script)),
        style=Markup(style),
        style_hash=Markup(_sha256(style)),
        dash=DASH,
    )


def summary_words(comparison: Comparison) -> list[str]:
    """Return what the comparison says, in sentences."""
    compared = [run for run in comparison.runs if run.left_out is None]
    out = len(comparison.runs) - len(compared)
    rooms = ", ".join(comparison.rooms)
    words = [
        f"Compared: {_counted(len(compared), 'run')} of {_counted(len(comparison.robots), 'robot')}, "
        f"{comparison.trial} trials in {rooms}."
        + (f" Left out: {_counted(out, 'run')}, each listed with its reason." if out else "")
    ]
    ranked = [robot for robot in comparison.robots if robot.estimate_percent is not None]
    if ranked:
        best = ranked[0]
        low, high = best.estimate_95 or (float("nan"), float("nan"))
        interval = f", 95 % interval {number(low, 1)} to {number(high, 1)} %" if best.estimate_95 else ""
        words.append(f"{best.robot} covered most: {number(best.estimate_percent, 1)} % of the floor{interval}.")
        with_best = [one.robot for one in ranked[1:] if set(one.group) & set(best.group)]
        if best.group and with_best:
            words.append(f"It cannot be told apart from {_listed(with_best)}.")
        elif best.group and len(ranked) > 1:
            words.append("It is told apart from every other robot.")
        if len(ranked) > 1:
            words.append(f"Least was covered by {ranked[-1].robot}: {number(ranked[-1].estimate_percent, 1)} %.")
    spread = comparison.spreads.get(HEADLINE)
    if spread is not None:
        words.append(
            f"Two runs of one robot differ by less than {number(spread.repeatability_limit, 1)} points 95 times of 100."
        )
    return [*words, *(() if comparison.model is None else comparison.model.notes), *comparison.warnings]


def _counted(count: int, thing: str) -> str:
    return f"{count} {thing}" if count == 1 else f"{count} {thing}s"


def _listed(names: Sequence[str], most: int = 8) -> str:
    shown = list(names[:most])
    return ", ".join(shown) + (f" and {len(names) - most} more" if len(names) > most else "")


def number(value: float | None, places: int = 1) -> str:
    """Return a number as the page shows it; a dash where there is none."""
    if value is None or value != value:
        return DASH
    return f"{value:.{places}f}".replace("-", "−")


def span(bounds: tuple[float, float] | None, places: int = 1) -> str:
    """Return an interval as the page shows it."""
    return DASH if bounds is None else f"{number(bounds[0], places)} to {number(bounds[1], places)}"


def interval_of(run: ComparedRun, key: str) -> tuple[float, float] | None:
    """Return the 95 % interval of one run's number, of the measuring alone; None where none is stated."""
    if key not in run.values or key not in run.u:
        return None
    reach = coverage_factor_95() * run.u[key]
    return run.values[key] - reach, run.values[key] + reach


def _row(number: int, run: ComparedRun, runs: Runs, thumbnails: Mapping[str, str]) -> dict[str, Any]:
    shown = runs.get(run.key)
    return {
        "number": number,
        "run": run,
        "verdict": run.verdict if run.left_out is None or run.verdict != "measured" else "left out",
        "quality": sorted({remark.code for remark in run.quality if remark.level != "note"}),
        "overlay": None if shown is None else shown.overlay,
        "growth_chart": None if shown is None else shown.growth_chart,
        "thumbnail": thumbnails.get(run.key),
        "pockets": () if shown is None else shown.pockets,
        "all_pockets": 0 if shown is None else shown.all_pockets,
        "most_driven": () if shown is None or shown.passes is None else shown.passes.most_driven or (),
    }


def _sections(comparison: Comparison, rows: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Return what the page says of each robot, the ranked ones first, then those of which no run is compared."""
    own: dict[str, list[Mapping[str, Any]]] = {robot.robot: [] for robot in comparison.robots}
    for row in rows:
        own.setdefault(row["run"].robot, []).append(row)
    ranked = {robot.robot: robot for robot in comparison.robots}
    differences: dict[str, list[dict[str, Any]]] = {}
    for family in (one for one in (comparison.tukey, comparison.dunnett) if one is not None):
        for difference in family.differences:
            for name in (difference.robot, difference.against):
                differences.setdefault(name, []).append(_seen_from(name, difference))
    scores = {} if comparison.scorecard is None else {one.robot: one.score for one in comparison.scorecard.robots}
    return [
        {
            "number": number,
            "name": name,
            "robot": ranked.get(name),
            "score": scores.get(name),
            "rows": its_rows,
            "lines": _lines(ranked[name], comparison, its_rows) if name in ranked else [],
            "differences": differences.get(name, []),
        }
        for number, (name, its_rows) in enumerate(own.items(), 1)
    ]


def _lines(
    robot: Robot, comparison: Comparison, rows: Sequence[Mapping[str, Any]]
) -> list[tuple[Measure, Summary, tuple[float, float] | None]]:
    """Return each measure of a robot, and of one that a single run has the interval of that run."""
    lines = []
    for measure in comparison.measures:
        summary = robot.summaries.get(measure.key)
        if summary is None:
            continue
        inside = (row["run"] for row in rows if row["run"].left_out is None and measure.key in row["run"].values)
        alone = next(inside) if summary.n == 1 else None
        lines.append((measure, summary, None if alone is None else interval_of(alone, measure.key)))
    return lines


def _seen_from(name: str, one: Difference) -> dict[str, Any]:
    """A difference as the robot `name` has it from the other."""
    turned = one.robot != name
    points = -one.points if turned else one.points
    low, high = one.interval_95 or (float("nan"), float("nan"))
    return {
        "other": one.robot if turned else one.against,
        "points": points,
        "interval": (-high, -low) if turned else (low, high),
        "different": one.different,
        "not_judged": one.not_judged,
        "repeats_needed": one.repeats_needed,
    }


def _chart_uri(chart: Chart) -> str:
    """Return a chart as it stands in the page: sharp at any size, unless pixels are far smaller."""
    small = len(chart.svg) <= LARGEST_SVG
    return _data_uri(chart.svg, "image/svg+xml") if small else _data_uri(chart.png, "image/png")


def _data_uri(content: bytes, kind: str) -> str:
    return f"data:{kind};base64,{base64.b64encode(content).decode()}"


def thumbnail_uri(content: bytes) -> str:
    """Return a small PNG as a data URI."""
    return _data_uri(content, "image/png")


def _part(name: str) -> str:
    return files("coverage_lab.show").joinpath("pages", "report", name).read_text(encoding="utf-8")


def _sha256(content: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(content.encode()).digest()).decode()
