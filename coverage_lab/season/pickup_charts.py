"""Write the charts of soil tests: beside the scored sheets, and beside a comparison."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

from coverage_lab.compare.values import HEADLINE, Comparison
from coverage_lab.errors import BadInput
from coverage_lab.files.checking import read_json
from coverage_lab.files.pickup import is_pickup, pickup_from_json
from coverage_lab.files.store import write_files
from coverage_lab.job import Quantity
from coverage_lab.measures.uncertainty import coverage_factor_95, quantity
from coverage_lab.pickup.values import PickupResult
from coverage_lab.show.pickup_chart import figure_files, pickup_against_coverage, pickup_chart

_CHART, _AGAINST = "pickup", "pickup-against-coverage"


def chart_folder(folder: Path) -> tuple[Path, ...]:
    """Draw all scored sheets of a folder into one chart there; return its files, none where no run counts."""
    results = []
    for path in sorted(folder.glob("*.json")):
        with suppress(BadInput):  # a document that is broken is told where it is scored or compared
            content = read_json(path, "")
            if is_pickup(content):
                results.append(pickup_from_json(content, path))
    return _written(folder, _chart(results))


def chart_comparison(folder: Path, comparison: Comparison) -> tuple[Path, ...]:
    """Draw a season's pickup, and pickup against coverage, into the comparison's folder; return the files."""
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
    files = _chart(comparison.pickup)
    against = pickup_against_coverage(comparison.pickup, coverage, frozenset(alone))
    return _written(folder, files if against is None else files | figure_files(against, _AGAINST))


def _chart(results: Sequence[PickupResult]) -> dict[str, bytes]:
    return figure_files(pickup_chart(results), _CHART) if any(result.summaries for result in results) else {}


def _written(folder: Path, files: dict[str, bytes]) -> tuple[Path, ...]:
    write_files({folder / name: content for name, content in files.items()})
    return tuple(folder / name for name in files)
