"""What a reviewer said of a run: lines of `review.jsonl` in its results folder, of which the last counts."""

from __future__ import annotations

import json
import os
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import Any, Literal, get_args

from coverage_lab.errors import BadInput, CannotWrite, Problem

NAME = "review.jsonl"
Decision = Literal["accepted", "refused"]


@dataclass(frozen=True, slots=True)
class Review:
    """One line: a decision on a run's numbers, which it names by their digest."""

    decision: Decision
    reason: str
    by: str
    said_utc: str  # ISO 8601
    measures_sha256: str  # of the measures.json that it was said of; other numbers are open again


def read_review(folder: Path) -> Review | None:
    """Return the last line of a run's reviews; None if nobody has said anything. Raises BadInput if it is none."""
    path = folder / NAME
    try:
        # Not `splitlines`: a reason may hold characters that it takes for line ends too.
        lines = path.read_text("utf-8").rstrip("\n").split("\n")
    except FileNotFoundError:
        return None
    except (OSError, UnicodeDecodeError) as error:
        raise BadInput(Problem(path, "", f"cannot be read ({error})", "Review the run again")) from None
    if lines == [""]:
        return None
    try:
        return _review(json.loads(lines[-1]))
    except (ValueError, TypeError, KeyError):
        wrong, mend = "does not hold a review", "Remove the line, or review the run again"
        raise BadInput(Problem(path, f"line {len(lines)}", wrong, mend)) from None


def _review(said: Any) -> Review:
    review = Review(**{field.name: said[field.name] for field in fields(Review)})
    if review.decision not in get_args(Decision):
        raise ValueError(review.decision)
    return review


def append_review(folder: Path, review: Review) -> None:
    """Add a line to a run's reviews, forced to the disk; former lines stay. Raises CannotWrite."""
    path = folder / NAME
    line = f"{json.dumps(asdict(review), ensure_ascii=False)}\n".encode("utf-8", "backslashreplace")
    try:
        with path.open("ab") as stream:
            if stream.tell() and not _ends_a_line(path):  # a line that was cut short stays one of its own
                line = b"\n" + line
            stream.write(line)
            stream.flush()
            os.fsync(stream.fileno())
    except OSError as error:
        wrong = f"cannot be written ({error.strerror})"
        raise CannotWrite(Problem(path, "", wrong, "Check the folder and review again")) from error


def _ends_a_line(path: Path) -> bool:
    with path.open("rb") as stream:
        stream.seek(-1, os.SEEK_END)
        return stream.read() == b"\n"
