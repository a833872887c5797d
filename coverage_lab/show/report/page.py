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
from coverage_lab.show.report.values import Chart, Runs

MOST_POCKETS = 6  # of a run, the largest
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
    script, style = _part("report.js"), _part("report.css")
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    environment.filters |= {"number": number, "span": span}
    return environment.from_string(_part("report.html")).render(
        comparison=comparison,
        headline=HEADLINE,
        words=summary_words(comparison),
        charts=[(chart, _chart_uri(chart)) for chart in charts],
        table_measures=[measure for measure in comparison.measures if measure.key != "coverage_percent"],
        rows=[_row(run, runs, thumbnails) for run in comparison.runs],
        robots=[_robot(robot, comparison) for robot in comparison.robots],
        by_robot=_by_robot(comparison),
        thumbnails=thumbnails,
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


def _row(run: ComparedRun, runs: Runs, thumbnails: Mapping[str, str]) -> dict[str, Any]:
    shown = runs.get(run.key)
    pockets = () if shown is None or shown.measures.pockets is None else shown.measures.pockets
    return {
        "run": run,
        "verdict": run.verdict if run.left_out is None or run.verdict != "measured" else "left out",
        "quality": sorted({remark.code for remark in run.quality if remark.level != "note"}),
        "overlay": None if shown is None else shown.overlay,
        "thumbnail": thumbnails.get(run.key),
        "pockets": sorted(pockets, key=lambda one: -one.diameter_mm.value)[:MOST_POCKETS],
        "all_pockets": len(pockets),
    }


def _robot(robot: Robot, comparison: Comparison) -> dict[str, Any]:
    """What the page says of one robot, its differences from others among it."""
    families = [family for family in (comparison.tukey, comparison.dunnett) if family is not None]
    differences = [one for family in families for one in family.differences if robot.robot in (one.robot, one.against)]
    lines: list[tuple[Measure, Summary]] = [
        (measure, robot.summaries[measure.key]) for measure in comparison.measures if measure.key in robot.summaries
    ]
    return {"robot": robot, "lines": lines, "differences": [_seen_from(robot.robot, one) for one in differences]}


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


def _by_robot(comparison: Comparison) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for run in comparison.runs:
        found.setdefault(run.robot, []).append(run.key)
    return found


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
