"""Find in nights' results which exposures belong to one trail, for the study of the instrument."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from coverage_lab.compare.study import Exposed
from coverage_lab.errors import BadInput, Problem
from coverage_lab.files.checking import quoted, read_json
from coverage_lab.files.night import find_nights
from coverage_lab.files.results import read_run
from coverage_lab.job import Quantity
from coverage_lab.measures.values import Measures

MEASURES = ("coverage_percent", "reachable_percent", "pattern_score")  # called as in summary.csv
_MARK = "exposure"  # the run sheet's column
_SHARED_FILES = ("room", "lens", "reference", "reference_after", "dark", "ambient")


@dataclass(frozen=True, slots=True)
class _Result:
    folder: Path
    measures: Measures
    made: Mapping[str, Any]

    @property
    def mark(self) -> str | None:
        """What the run sheet says in the column `exposure`."""
        return next((text for name, text in self.measures.conditions.items() if name.casefold() == _MARK), None)

    @property
    def trail(self) -> str:
        """Exposures of one trail say the same; a run without the mark is a trail of its own."""
        return self.measures.key if self.mark is None else f"{self.measures.robot}, repeat {self.measures.repeat}"


def find_exposures(paths: Sequence[Path]) -> tuple[Exposed, ...]:
    """Return the measured coverage runs of the nights (or seasons) at `paths`, and which trail each exposed.

    Runs of one robot and repeat whose run sheet says something in the column `exposure` are exposures of one trail, in
    whatever night. Refused and failed runs are left out. Raises BadInput where nothing is measured, where results were
    made by different methods or settings, and for marks that contradict each other.
    """
    nights = dict.fromkeys(night.resolve() for path in paths for night in find_nights(path))
    folders = [file.parent for night in nights for file in sorted(night.glob("results/*/measures.json"))]
    results = [_Result(folder, read_run(folder), _made(folder)) for folder in folders]
    measured = [one for one in results if one.measures.coverage is not None and one.measures.trial == "coverage"]
    if not measured:
        raise BadInput(Problem(paths[0], "", "has no measured run", "Measure it first"))
    problems = [*_mixed(measured), *_marks(measured)]
    if problems:
        raise BadInput(problems)
    return tuple(_exposed(one) for one in measured)


def _made(folder: Path) -> Mapping[str, Any]:
    made = read_json(folder / "made.json", "Measure the run again")
    if not isinstance(made, dict) or not {"method", "settings", "sha256"} <= made.keys():
        raise BadInput(Problem(folder / "made.json", "", "does not say how it was made", "Measure the run again"))
    return made


def _mixed(results: Sequence[_Result]) -> list[Problem]:
    """Tell of results that another method or other settings gave than the first one's."""
    first = results[0]
    return [
        Problem(
            one.folder / "made.json",
            key,
            f"{quoted(one.made[key])} is not {quoted(first.made[key])} as in {first.measures.key}",
            "Measure all of these nights again",
        )
        for one in results
        for key in ("method", "settings")
        if one.made[key] != first.made[key]
    ]


def _marks(results: Sequence[_Result]) -> list[Problem]:
    """Tell of marked runs without a repeat, and of marks that one trail has twice."""
    problems = []
    seen: dict[tuple[str, str], str] = {}
    for one in results:
        mark, key = one.mark, one.measures.key
        if mark is None:
            continue
        if one.measures.repeat is None:
            mend = "Say in the run sheet which repeat it exposed, and measure it again"
            problems.append(Problem(one.folder, _MARK, f"{key} is marked as an exposure, but of no repeat", mend))
        elif (one.trail, mark) in seen:
            wrong = f"{key} is exposure {mark} of {one.trail}, which {seen[one.trail, mark]} is too"
            mend = "Count the exposures of one trail on, also in another night, and give other trails other repeats"
            problems.append(Problem(one.folder, _MARK, wrong, mend))
        seen.setdefault((one.trail, mark), key)
    return problems


def _exposed(result: _Result) -> Exposed:
    measures, digests = result.measures, result.made["sha256"]
    coverage, pattern = measures.coverage, measures.pattern
    found: tuple[Quantity | None, ...] = (
        None if coverage is None else coverage.percent,
        None if coverage is None else coverage.percent_of_reachable,
        None if pattern is None else pattern.score,
    )
    return Exposed(
        run=measures.key,
        robot=measures.robot,
        trail=result.trail,
        set_up=digests.get("reference", ""),
        frame=" ".join(digest for name, digest in digests.items() if name not in _SHARED_FILES),
        values={name: value for name, value in zip(MEASURES, found, strict=True) if value is not None},
    )
