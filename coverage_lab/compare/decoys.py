"""The decoy matrix: which robots kept off which decoys, how often, and how sure that is from so few trials.

Each trial of a robot with a decoy is one try. Tries that cannot be told, and those in which the robot never came to the
decoy, count for neither side and are told beside it.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from scipy.stats import binomtest

from coverage_lab.measures.values import DecoyFound, DecoyVerdict, Measures

CONFIDENCE = 0.95


@dataclass(frozen=True, slots=True)
class Try:
    """One robot, one decoy, one run."""

    run: str  # its key
    repeat: int | None
    verdict: DecoyVerdict
    nozzle_clearance_mm: float | None
    contact_seen: bool | None


@dataclass(frozen=True, slots=True)
class Share:
    """k of n in percent, with two 95 % intervals; both are None where n is 0."""

    k: int
    n: int
    wilson_95: tuple[float, float] | None  # near 95 % on average
    clopper_pearson_95: tuple[float, float] | None  # 95 % at the least, so wider


@dataclass(frozen=True, slots=True)
class Cell:
    """All tries of one robot with one decoy; decoys of one name are one decoy."""

    robot: str
    decoy: str
    tries: tuple[Try, ...]  # by run
    clear: Share  # of those judged clear, touched or driven over
    touched: int
    driven_over: int
    cannot_tell: int
    not_challenged: int


@dataclass(frozen=True, slots=True)
class DecoyMatrix:
    """Robots by decoys, both in alphabetical order; a robot that never met a decoy has no cell for it."""

    robots: tuple[str, ...]
    decoys: tuple[str, ...]
    cells: tuple[Cell, ...]  # by robot, then decoy
    overall: tuple[Cell, ...]  # of each robot over all decoys, `decoy` ""

    def cell(self, robot: str, decoy: str) -> Cell | None:
        """Return the tries of a robot with a decoy."""
        return next((cell for cell in self.cells if (cell.robot, cell.decoy) == (robot, decoy)), None)


def decoy_matrix(runs: Iterable[Measures]) -> DecoyMatrix:
    """Return the matrix of all runs that are measured avoidance trials; others are passed over."""
    tries: dict[tuple[str, str], list[Try]] = {}
    for run in runs:
        for found in run.avoidance or ():
            tries.setdefault((run.robot, found.decoy), []).append(_try(run, found))
    robots, decoys = (tuple(sorted({key[axis] for key in tries})) for axis in (0, 1))
    return DecoyMatrix(
        robots=robots,
        decoys=decoys,
        cells=tuple(_cell(robot, decoy, tries[robot, decoy]) for robot, decoy in sorted(tries)),
        overall=tuple(
            _cell(robot, "", [one for key in sorted(tries) if key[0] == robot for one in tries[key]])
            for robot in robots
        ),
    )


def share(k: int, n: int) -> Share:
    """Return k of n with its intervals.

    Sources: Wilson, J. Am. Stat. Assoc. 22 (1927) 209, without continuity correction; Clopper and Pearson, Biometrika
    26 (1934) 404. For a handful of repeats both are wide: after 3 of 3 clear, 44 % is possible (Wilson).
    """
    if n == 0:
        return Share(0, 0, None, None)
    test = binomtest(k, n)
    wilson, exact = (test.proportion_ci(CONFIDENCE, method=method) for method in ("wilson", "exact"))
    return Share(k, n, *((100 * float(found.low), 100 * float(found.high)) for found in (wilson, exact)))


def _try(run: Measures, found: DecoyFound) -> Try:
    clearance = found.nozzle_clearance_mm
    return Try(run.key, run.repeat, found.verdict, None if clearance is None else clearance.value, found.contact_seen)


def _cell(robot: str, decoy: str, tries: list[Try]) -> Cell:
    counts = {
        verdict: sum(one.verdict == verdict for one in tries)
        for verdict in ("clear", "touched", "driven over", "can't be told", "not challenged")
    }
    judged = counts["clear"] + counts["touched"] + counts["driven over"]
    return Cell(
        robot=robot,
        decoy=decoy,
        tries=tuple(sorted(tries, key=lambda one: one.run)),
        clear=share(counts["clear"], judged),
        touched=counts["touched"],
        driven_over=counts["driven over"],
        cannot_tell=counts["can't be told"],
        not_challenged=counts["not challenged"],
    )
