"""Which charts the report has, in what order and with which words."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from matplotlib.figure import Figure

from coverage_lab.compare.values import HEADLINE, Comparison
from coverage_lab.job import Quantity
from coverage_lab.measures.uncertainty import coverage_factor_95, quantity
from coverage_lab.show.chart_style import house, png_of, svg_of
from coverage_lab.show.pickup_chart import pickup_against_coverage, pickup_chart
from coverage_lab.show.report.coverage_charts import coverage_against_duration, growth_curves, ranking
from coverage_lab.show.report.driving_charts import decoy_table, misses, pattern_parts, visits
from coverage_lab.show.report.values import Chart, MissMap, Runs


def all_charts(comparison: Comparison, runs: Runs, maps: Sequence[MissMap]) -> list[Chart]:
    """Return the charts that the runs have something to show for, in the order of the page."""
    drawn: list[tuple[str, str, str, Callable[[], Figure | None]]] = [
        (
            "ranking",
            "Coverage of the floor that all runs show",
            "Robots from best to worst, each with its estimate, its 95 % interval, its single runs as dots, and the "
            "letters of the groups that cannot be told apart.",
            lambda: ranking(comparison),
        ),
        (
            "coverage-duration",
            "Coverage against duration",
            "Each robot's mean coverage over its mean duration; up and to the left is better. Thin lines join what is "
            "swept at one rate.",
            lambda: coverage_against_duration(comparison),
        ),
        (
            "growth",
            "How coverage grew",
            "For each robot coverage over time: the median of its runs, and their range as a band.",
            lambda: growth_curves(comparison, runs),
        ),
        (
            "misses",
            "Where floor was missed again and again",
            "For each robot the room from above, north up: the darker orange, the more of its runs missed the place; "
            "furniture is hatched.",
            lambda: misses(maps),
        ),
        (
            "passes",
            "How often floor was visited",
            "For each robot the shares of visible floor visited more than twice, twice, once and never.",
            lambda: visits(comparison, runs),
        ),
        (
            "pattern",
            "How regular the driving was",
            "For each robot alignment, spacing and straightness, from 0 (random bouncing) to 1 (perfect lanes).",
            lambda: pattern_parts(comparison, runs),
        ),
        (
            "decoys",
            "Decoys: kept off, touched, driven over",
            "Robots by decoys: of how many tries the robot kept off, with the 95 % interval of that share.",
            lambda: decoy_table(comparison.decoys),
        ),
        (
            "pickup",
            "Soil picked up in straight-line tests",
            "What each robot picked up, by floor and soil, with 95 % intervals; single runs are only indicative.",
            lambda: pickup_chart(comparison.pickup) if any(one.summaries for one in comparison.pickup) else None,
        ),
        (
            "pickup-against-coverage",
            "Soil picked up against coverage",
            "A panel per floor: each robot's overall pickup over its coverage, both with 95 % intervals.",
            lambda: _pickup_against_coverage(comparison),
        ),
    ]
    found = []
    with house():
        for name, title, words, draw in drawn:
            figure = draw()
            if figure is not None:
                found.append(Chart(name, title, words, svg_of(figure), png_of(figure)))
    return found


def _pickup_against_coverage(comparison: Comparison) -> Figure | None:
    """Draw overall pickup over the coverage that robots are ranked by; a single run's where there is no estimate."""
    coverage = {}
    for robot in comparison.robots:
        if robot.estimate_percent is not None and robot.estimate_95 is not None:
            low, high = robot.estimate_95
            u = (high - low) / 2 / coverage_factor_95()
            coverage[robot.robot] = Quantity(robot.estimate_percent, u, (low, high))
    single = {
        run.robot: quantity(run.values[HEADLINE], run.u[HEADLINE])
        for run in comparison.runs
        if run.left_out is None and run.robot not in coverage and HEADLINE in run.values and HEADLINE in run.u
    }
    alone = {one.robot for one in comparison.robots if one.runs == 1} & single.keys()
    coverage |= {robot: single[robot] for robot in alone}
    return pickup_against_coverage(comparison.pickup, coverage, frozenset(alone))
