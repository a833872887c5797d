"""Say of a measured run that its numbers are accepted or refused."""

from __future__ import annotations

import hashlib
from datetime import UTC, datetime
from pathlib import Path

from coverage_lab.errors import BadInput, Problem
from coverage_lab.files.measures import read_measures
from coverage_lab.files.review import Decision, Review, append_review


def review_run(path: Path, decision: Decision, reason: str, by: str) -> Review:
    """Review the run at NIGHT/RUN, and return what was said. It holds as long as the run's numbers stay as they are.

    Raises BadInput where there is no measured run, for a run without numbers, and for a refusal without a reason;
    CannotWrite.
    """
    folder = _results(path)
    measures = read_measures(folder / "measures.json")
    if decision == "refused" and not reason.strip():
        raise BadInput(Problem(path, "--reason", "is missing", "Say why the run is refused"))
    if measures["verdict"] != "measured":
        wrong = f"has no numbers to review: {measures['verdict']}, {measures['reason']}"
        raise BadInput(Problem(path, "", wrong, "Measure it again, or leave it"))
    now = datetime.now(UTC).isoformat(timespec="seconds")
    sha256 = hashlib.sha256((folder / "measures.json").read_bytes()).hexdigest()
    review = Review(decision, reason.strip(), by.strip(), now, sha256)
    append_review(folder, review)
    return review


def _results(path: Path) -> Path:
    """Return the results folder of NIGHT/RUN; a run's frame or folder stands for it as in `measure`."""
    night = path.resolve().parent
    if not (night / "night.toml").is_file():
        raise BadInput(Problem(path, "", "is no run of a night", "Give NIGHT/RUN"))
    for name in (path.name, path.stem):
        if (night / "results" / name / "measures.json").is_file():
            return night / "results" / name
    raise BadInput(Problem(path, "", "has no results", "Measure it first"))
