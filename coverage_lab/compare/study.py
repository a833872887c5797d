"""How much of what differs between runs is the instrument: a gauge study of repeated exposures.

A trail that stays where it is, is exposed several times: what then differs is the instrument. What differs between
trails of one robot is its repeats, and between robots the robots. How these are taken apart is in `anova`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import sqrt

import numpy as np

from coverage_lab.compare.anova import Anova, crossed, nested, pooled
from coverage_lab.job import Quantity
from coverage_lab.measures.uncertainty import coverage_factor_95

INSTRUMENT = ("set-up", "set-up × trail", "exposure")
CATEGORIES_PER_SD = 1.41  # common practice: 97 % intervals of the gauge that fit side by side into the parts' spread
SAME = 1e-9  # a standard deviation below this is rounding: results are stored with three decimals


@dataclass(frozen=True, slots=True)
class Exposed:
    """One measured exposure: of which trail, under which set-up, and what it gave."""

    run: str  # key
    robot: str
    trail: str  # equal for exposures of one trail
    set_up: str  # equal for exposures with one lights-on frame
    frame: str  # equal for one and the same picture
    values: Mapping[str, Quantity]  # by measure


@dataclass(frozen=True, slots=True)
class Source:
    """One source of variation, in the measure's unit; None is what the data cannot tell."""

    name: str
    dof: float
    sd: float
    percent_of_variance: float | None  # of all sources together; None where nothing but the instrument varies


@dataclass(frozen=True, slots=True)
class Instrument:
    """What the instrument itself adds to a number."""

    sd: float
    dof: float
    interval_95: tuple[float, float]  # of the sd
    two_exposures_within: float  # 95 %: how far apart two exposures of one trail may come out
    categories: int | None  # how many groups of trails it tells apart; None without trails, or if it never differs


@dataclass(frozen=True, slots=True)
class Study:
    """A gauge study of one measure."""

    measure: str
    exposures: int
    trails: int
    robots: int
    set_ups: int
    sources: tuple[Source, ...]
    instrument: Instrument | None  # None without repeated exposures
    stated_u: float  # root mean square of the standard uncertainties stated with the values
    cannot_tell: tuple[str, ...]


def study(measure: str, exposed: Sequence[Exposed]) -> Study | None:
    """Return the gauge study of one measure from the exposures that have it; None where nothing is repeated."""
    known = [one for one in exposed if measure in one.values]
    trails, robots = {one.trail for one in known}, {one.robot for one in known}
    if len(known) < 2:
        return None
    cells = _cells(measure, known)
    table = pooled(crossed(cells, _robots_of(known))) if cells is not None else _nested(measure, known)
    return Study(
        measure=measure,
        exposures=len(known),
        trails=len(trails),
        robots=len(robots),
        set_ups=len({one.set_up for one in known}),
        sources=_sources(table),
        instrument=None if len(trails) == len(known) else _instrument(table),
        stated_u=sqrt(float(np.mean([one.values[measure].u ** 2 for one in known]))),
        cannot_tell=_cannot_tell(known, table),
    )


def _cells(measure: str, known: Sequence[Exposed]) -> list[list[list[float]]] | None:
    """Return the values by trail (sorted), set-up and exposure, if all trails were equally exposed under all set-ups.

    None otherwise, and where there is one trail or one set-up only.
    """
    cells: dict[tuple[str, str], list[float]] = {}
    for one in known:
        cells.setdefault((one.trail, one.set_up), []).append(one.values[measure].value)
    trails, set_ups = (sorted({key[axis] for key in cells}) for axis in (0, 1))
    same = len({len(values) for values in cells.values()}) == 1
    if min(len(trails), len(set_ups)) < 2 or len(cells) < len(trails) * len(set_ups) or not same:
        return None
    return [[cells[trail, set_up] for set_up in set_ups] for trail in trails]


def _robots_of(known: Sequence[Exposed]) -> list[str]:
    """Return the robot of each trail, trails sorted."""
    robot = {one.trail: one.robot for one in known}
    return [robot[trail] for trail in sorted(robot)]


def _nested(measure: str, known: Sequence[Exposed]) -> Anova:
    """Split robot, repeat and exposure as far as each varies inside the one around it.

    Two levels with the same groups become one with both names: it cannot be told which of them it was.
    """
    robots, trails = [one.robot for one in known], [one.trail for one in known]
    groups: list[list[str]] = []
    names: list[str] = []
    around = 1
    for name, labels in (("robot", robots), ("repeat", trails), ("exposure", [one.run for one in known])):
        count = len(set(labels))
        if count == around and around > 1:
            names[-1] = f"{names[-1]} with {name}"
            groups[-1] = labels
        elif count > around:
            names.append(name)
            groups.append(labels)
        around = count
    return nested([one.values[measure].value for one in known], groups[:-1], names)


def _sources(table: Anova) -> tuple[Source, ...]:
    variances, total = table.variances, float(table.variances.sum())
    parts = [name for name in table.names if name not in INSTRUMENT]
    return tuple(
        Source(
            name=name,
            dof=float(dof),
            sd=sqrt(variance),
            percent_of_variance=100 * variance / total if parts and total > 0 else None,
        )
        for name, dof, variance in zip(table.names, table.dof, variances, strict=True)
    )


def _instrument(table: Anova) -> Instrument:
    variances = dict(zip(table.names, table.variances, strict=True))
    own = [name for name in table.names if name in INSTRUMENT]
    sd = sqrt(sum(variances.pop(name) for name in own))
    if sd < SAME:
        return Instrument(0.0, float(table.dof[-1]), (0.0, 0.0), 0.0, None)
    dof = table.dof_of(own)
    low, high = (sqrt(bound) for bound in table.interval_95(own))
    return Instrument(
        sd=sd,
        dof=dof,
        interval_95=(low, high),
        two_exposures_within=coverage_factor_95(dof) * sqrt(2) * sd,
        categories=int(CATEGORIES_PER_SD * sqrt(sum(variances.values())) / sd) if variances else None,
    )


def _cannot_tell(known: Sequence[Exposed], table: Anova) -> tuple[str, ...]:
    """Say what of the question the data leave open, and what would answer it."""
    trails, robots = {one.trail for one in known}, {one.robot for one in known}
    notes = []
    if len(trails) == len(known):
        notes.append("The instrument: no trail was exposed twice, so its share is part of what repeats differ by")
    elif len({one.set_up for one in known}) == 1:
        notes.append("The set-up: one lights-on frame serves all, so what camera and markers add is in no share")
    elif "set-up" not in table.names:
        needs = "two trails or more, each exposed equally often under every lights-on frame"
        notes.append(f"Set-up and exposure apart: that needs {needs}")
    if len({one.frame for one in known}) == len(trails) < len(known):
        notes.append("The exposure: each trail has one picture only, measured with several lights-on frames")
    if len(robots) == 1:
        notes.append("The robots: there is one only")
    if len(trails) == len(robots):
        notes.append("The repeats: no robot has two trails")
    return tuple(notes)
