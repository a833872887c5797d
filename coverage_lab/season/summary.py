"""What became of a pass over many runs."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

from coverage_lab.errors import ExitCode


@dataclass(slots=True)
class Summary:
    """What became of a pass over many runs: counts, so that it stays small."""

    counts: dict[str, Counter[str]] = field(default_factory=dict)  # of each night, runs by verdict
    troubles: list[str] = field(default_factory=list)  # what kept a whole night or its summary from being done
    notes: list[str] = field(default_factory=list)  # what went wrong beside, with no harm to results

    def add(self, night: str, verdict: str, runs: int = 1) -> None:
        """Count runs of a night; the verdict "done" is for those whose results still hold."""
        self.counts.setdefault(night, Counter())[verdict] += runs

    @property
    def totals(self) -> Counter[str]:
        """Runs of all nights by verdict."""
        return sum(self.counts.values(), Counter())

    @property
    def exit_code(self) -> ExitCode:
        """0 if every run of this pass was measured, else 1."""
        totals = self.totals
        bad = totals["refused"] or totals["failed"] or self.troubles
        return ExitCode.SOME_FAILED if bad else ExitCode.DONE

    def __str__(self) -> str:
        totals = self.totals
        words = [f"{totals[verdict]} {verdict}" for verdict in ("measured", "refused", "failed")]
        if totals["done"]:
            words.append(f"{totals['done']} done before")
        nothing = totals["done"] == totals.total() and not self.troubles
        return "\n".join([*self.troubles, *self.notes, "nothing new to do" if nothing else ", ".join(words)])
