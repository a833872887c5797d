"""A log for machines: a line of JSON for each run that was measured, refused or failed."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

from coverage_lab.errors import BadInput, Problem
from coverage_lab.season.work import Outcome


class RunLog:
    """Appends to a file, whole lines only, so that several batches may share one and it may be rotated."""

    def __init__(self, path: Path) -> None:
        """Raises BadInput if the file cannot be written."""
        self._path = path
        self.trouble: str | None = None  # what kept the last line from being written
        try:
            path.open("ab").close()
        except OSError as error:
            wrong = f"cannot be written ({(error.strerror or str(error)).lower()})"
            raise BadInput(Problem(path, "--log", wrong, "Choose another file")) from None

    def write(self, outcome: Outcome) -> None:
        """Append a run's line. A full disk costs the line, never the batch."""
        line = f"{json.dumps(_line(outcome))}\n".encode()
        try:
            with self._path.open("ab", buffering=0) as stream:
                stream.write(line)
        except OSError as error:
            self.trouble = f"{self._path}: lines are missing ({(error.strerror or str(error)).lower()})."


def _line(outcome: Outcome) -> dict[str, object]:
    coverage = outcome.measures.coverage
    return {
        "time_utc": datetime.now(UTC).isoformat(timespec="milliseconds"),
        "key": outcome.key,
        "verdict": outcome.verdict,
        "coverage_percent": None if coverage is None else coverage.percent.value,
        "coverage_percent_u": None if coverage is None else coverage.percent.u,
        "quality": list(dict.fromkeys(remark.code for remark in outcome.measures.quality)),
        "seconds": round(outcome.seconds, 3),
        "digest": outcome.digest,
        "stored": outcome.stored,
        "text": outcome.text,
    }
