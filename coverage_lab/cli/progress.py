"""What is shown while runs are measured: a bar on standard error, a line per run, and a table at the end."""

from __future__ import annotations

import json
from types import TracebackType
from typing import Any

import typer
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, TextColumn, TimeRemainingColumn
from rich.progress import Progress as Bar
from rich.table import Table

from coverage_lab.files.results import measures_to_json
from coverage_lab.season.log import RunLog
from coverage_lab.season.summary import Summary
from coverage_lab.season.work import Outcome

_VERDICTS = ("measured", "refused", "failed", "done")


class Progress:
    """A progress bar over `total` runs, and a line of each, in the `log` too.

    With `as_json`, each run's measures also go to standard output; when `quiet`, there is no bar, and lines are of runs
    that were refused or failed.
    """

    def __init__(self, total: int, *, as_json: bool = False, quiet: bool = False, log: RunLog | None = None) -> None:
        self._as_json, self._quiet, self._log = as_json, quiet, log
        self._console = Console(stderr=True, highlight=False)
        counts = TextColumn("{task.fields[refused]} refused, {task.fields[failed]} failed, {task.fields[left]} left")
        columns = (TextColumn("measuring"), BarColumn(), MofNCompleteColumn(), counts, TimeRemainingColumn())
        # Without a terminal a bar would only leave an empty line in the log.
        self._bar = Bar(*columns, console=self._console, transient=True, disable=quiet or not self._console.is_terminal)
        self._counts: dict[str, Any] = {"refused": 0, "failed": 0, "left": total}
        self._task = self._bar.add_task("measuring", total=total, **self._counts)

    def __enter__(self) -> Progress:
        self._bar.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._bar.stop()

    def report(self, outcome: Outcome) -> None:
        """Show what became of one run."""
        if self._log is not None:
            self._log.write(outcome)
        if not self._quiet or outcome.verdict != "measured":
            self._console.print(f"{outcome.key}: {outcome.verdict}: {outcome.text}", markup=False, soft_wrap=True)
        self._counts["left"] -= 1
        if outcome.verdict in self._counts:
            self._counts[outcome.verdict] += 1
        self._bar.update(self._task, advance=1, **self._counts)
        if self._as_json:
            typer.echo(json.dumps(measures_to_json(outcome.measures), ensure_ascii=False))


def print_table(summary: Summary) -> None:
    """Print to standard error how many runs of each night were measured; of a single night the last line tells it."""
    if len(summary.counts) < 2:
        return
    table = Table("night", *("done before" if verdict == "done" else verdict for verdict in _VERDICTS))
    for column in table.columns[1:]:
        column.justify = "right"
    for night, counts in summary.counts.items():
        table.add_row(night, *(str(counts[verdict]) for verdict in _VERDICTS))
    Console(stderr=True, highlight=False).print(table)
