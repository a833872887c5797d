"""What lies in a run's results folder, read for the season's index."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from coverage_lab.errors import BadInput, Problem
from coverage_lab.files.measures import measures_from_json, read_measures
from coverage_lab.files.review import NAME as REVIEWS
from coverage_lab.files.review import Review, read_review
from coverage_lab.measures.values import Measures
from coverage_lab.season.ledger import MADE_SCHEMA, read_made

FILES = ("measures.json", "made.json", REVIEWS)  # what is read, and looked at to see whether it changed

# What the run sheet says of a run: its results are compared; another run re-shoots it; `use` = no; it has no row.
Standing = Literal["current", "replaced", "unused", "orphaned"]


@dataclass(frozen=True, slots=True)
class StoredRun:
    """A run as its results folder holds it, and what sheet and reviewer say of it."""

    key: str
    night: str
    folder: Path
    measures: Measures  # without the outlines of pockets
    made: Mapping[str, Any]  # made.json: method, settings, robot, sha256 by file, digest, versions, time
    measures_sha256: str
    standing: Standing
    replaced_by: str | None  # the key of the run that re-shoots this one
    review: Review | None  # what was said last, be it of these numbers or of former ones

    @property
    def review_holds(self) -> bool:
        """Whether the review was said of the numbers that lie there now."""
        return self.review is not None and self.review.measures_sha256 == self.measures_sha256


@dataclass(frozen=True, slots=True)
class Found:
    """The contents of a results folder that is whole."""

    content: Mapping[str, Any]  # of measures.json
    made: Mapping[str, Any]
    measures_sha256: str
    review: Review | None


def stamp_of(folder: Path) -> str | None:
    """Return sizes and time stamps of what is read of a results folder; None if it holds no results."""
    stamps = [_stamp(folder / name) for name in FILES]
    return json.dumps(stamps) if any(stamps[:2]) else None


def _stamp(path: Path) -> tuple[int, int] | None:
    try:
        facts = path.stat()
    except OSError:
        return None
    return facts.st_size, facts.st_mtime_ns


def read_found(folder: Path) -> Found:
    """Return what a results folder holds. Raises BadInput where it is broken, not whole, or of a later version."""
    path = folder / "measures.json"
    content = read_measures(path)
    made = read_made(folder)
    if made.get("schema", MADE_SCHEMA) != MADE_SCHEMA:
        wrong = f"is of another version ({made['schema']})"
        raise BadInput(Problem(folder / "made.json", "schema", wrong, "Read it with the version that wrote it"))
    if not {"method", "settings", "sha256"} <= made.keys():
        wrong = "does not say how the numbers were made, so they may not be whole"
        raise BadInput(Problem(folder / "made.json", "", wrong, "Measure the run again"))
    try:
        measures_from_json(content)
        sha256 = hashlib.sha256(path.read_bytes()).hexdigest()
    except (KeyError, TypeError, ValueError, AttributeError, OSError) as error:
        wrong = f"does not hold what a measured run says ({type(error).__name__}: {error})"
        raise BadInput(Problem(path, "", wrong, "Measure the run again")) from None
    return Found(content, made, sha256, read_review(folder))
