"""The floor that all compared runs of a room show, and their coverage of it, from their stored plans."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from coverage_lab.compare.floor import Common, FloorBlocks, OtherFloorError, common_floor
from coverage_lab.compare.values import HEADLINE, CommonFloor, ComparedRun
from coverage_lab.errors import BadInput, Problem
from coverage_lab.files.plan import read_floor_blocks, read_swept_blocks

_LEAST_COMMON = 0.9  # of the least that a run shows; with less, say which run hides most


@dataclass(frozen=True, slots=True)
class OnFloor:
    """The runs of one room, and the floor that those show which are compared."""

    runs: list[ComparedRun]
    floor: CommonFloor | None  # None if none is compared
    warning: str | None


def on_common_floor(season: Path, runs: Sequence[ComparedRun]) -> OnFloor:
    """Return the runs of one room with their headline: coverage of the floor that all compared ones show.

    A run whose plan cannot be read is left out. Raises BadInput where runs show no floor in common, or in other cells.
    """
    broken: dict[str, str] = {}
    inside = [run for run in runs if run.left_out is None]
    common = _common(season, inside, broken)
    if common is None:
        return OnFloor([_without_plan(run, broken) for run in runs], None, None)
    inside = [run for run in inside if run.key not in broken]
    if common.area_m2 == 0:
        worst, _ = _hides_most(season, inside, common)
        wrong = f"the {len(inside)} compared runs show no floor in common; {worst} alone hides the most of it"
        raise BadInput(Problem(season, inside[0].room, wrong, "Refuse that run in review, or choose robots"))
    headline = {}
    for run in inside:
        try:
            headline[run.key] = common.covered_percent(read_swept_blocks(_plan(season, run)))
        except BadInput as error:
            broken[run.key] = f"plan.npz: {error.problems[0].wrong}"
    warning = None
    if common.area_m2 < _LEAST_COMMON * common.visible_m2[0]:
        worst, alone_m2 = _hides_most(season, inside, common)
        warning = (
            f"{inside[0].room}: all runs together show only {common.area_m2:.2f} m² of floor, single ones "
            f"{common.visible_m2[0]:.2f} m² and more; {worst} alone hides {alone_m2:.2f} m² that the others show"
        )
    floor = CommonFloor(inside[0].room, common.area_m2, common.visible_m2, common.grid.cell_m)
    return OnFloor([_with_headline(_without_plan(run, broken), headline) for run in runs], floor, warning)


def _without_plan(run: ComparedRun, broken: Mapping[str, str]) -> ComparedRun:
    return replace(run, left_out=broken[run.key]) if run.key in broken else run


def _with_headline(run: ComparedRun, headline: Mapping[str, float]) -> ComparedRun:
    if run.key not in headline:
        return run
    # What the run states for the floor it shows itself holds for nearly all of it.
    u = {HEADLINE: run.u["coverage_percent"], **run.u}
    return replace(run, values={HEADLINE: headline[run.key], **run.values}, u=u)


def _plan(season: Path, run: ComparedRun) -> Path:
    return season / run.folder / "plan.npz"


def _common(season: Path, runs: Sequence[ComparedRun], broken: dict[str, str]) -> Common | None:
    """Return the floor that `runs` show; None if none can be read. Those that cannot are added to `broken`: why."""
    reading = ""

    def each() -> Iterator[FloorBlocks]:
        nonlocal reading
        for run in runs:
            reading = run.key
            try:
                yield read_floor_blocks(_plan(season, run))
            except BadInput as error:
                broken[run.key] = f"plan.npz: {error.problems[0].wrong}"

    try:
        return common_floor(each())
    except OtherFloorError:
        wrong = f"the floor of {reading} is laid out in other cells than that of {runs[0].key}"
        raise BadInput(Problem(season, "cell_mm", wrong, "Measure both with one cell_mm")) from None


def _hides_most(season: Path, runs: Sequence[ComparedRun], common: Common) -> tuple[str, float]:
    """Return the run that alone hides most, and how much."""
    alone = {run.key: common.alone_hides_m2(read_floor_blocks(_plan(season, run))) for run in runs}
    worst = max(alone, key=lambda key: alone[key])
    return worst, alone[worst]
