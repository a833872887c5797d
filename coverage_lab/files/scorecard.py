"""Read `scorecard.toml`: what counts how much in a composite, and what earns nothing and what everything."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Annotated, Any

from pydantic import AfterValidator, Field, model_validator

from coverage_lab.compare.scorecard import Card
from coverage_lab.compare.values import ScoredMeasure
from coverage_lab.errors import BadInput, Problem
from coverage_lab.files.checking import MistakeError, Strict, check, quoted, read_toml, suggest

NAME = "scorecard.toml"


def _positive(weight: float) -> float:
    if weight <= 0:
        raise MistakeError(f"{weight:g} is no weight", "Give a number above 0, or leave the measure out")
    return weight


class _Line(Strict):
    weight: Annotated[float, AfterValidator(_positive)]
    zero_at: float
    hundred_at: float

    @model_validator(mode="after")
    def _apart(self) -> _Line:
        if self.zero_at == self.hundred_at:
            raise MistakeError("zero_at and hundred_at are equal", "Give the values that earn 0 and 100 points")
        return self


class _File(Strict):
    title: str
    example: bool = False
    measures: Annotated[dict[str, Any], Field(min_length=1)]


def read_scorecard(path: Path, known: Iterable[str]) -> Card:
    """Return a scorecard of `known` measures. Raises BadInput with every mistake in it."""
    names, problems = list(known), list[Problem]()
    file = check(_File, read_toml(path, "Write one, or compare without a composite"), path, "", problems)
    measures = []
    for key, table in ({} if file is None else file.measures).items():
        if key not in names:
            wrong = f"there is no measure {quoted(key)}"
            problems.append(Problem(path, f"measures.{key}", wrong, suggest(key, names)))
        line = check(_Line, table, path, f"measures.{key}", problems)
        if line is not None:
            measures.append(ScoredMeasure(key, line.weight, line.zero_at, line.hundred_at))
    if problems or file is None:
        raise BadInput(problems)
    return Card(file.title, file.example, tuple(measures))
