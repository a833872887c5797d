"""What is shown while runs are measured: a bar on standard error, a line per run."""

from __future__ import annotations

import json
from types import TracebackType

import typer
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, TextColumn, TimeRemainingColumn
from rich.progress import Progress as Bar

from coverage_lab.files.results import measures_to_json
from coverage_lab.season.batch import Outcome


class Progress:
    """A progress bar over `total` runs; with `as_json`, each run's measures also go to standard output."""

    def __init__(self, total: int, as_json: bool) -> None:
        self._as_json = as_json
        self._console = Console(stderr=True, highlight=False)
        columns = (TextColumn("measuring"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
        # Without a terminal a bar would only leave an empty line in the log.
        self._bar = Bar(*columns, console=self._console, transient=True, disable=not self._console.is_terminal)
        self._task = self._bar.add_task("measuring", total=total)

    def __enter__(self) -> Progress:
        self._bar.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._bar.stop()

    def report(self, outcome: Outcome) -> None:
        """Show what became of one run."""
        self._console.print(f"{outcome.key}: {outcome.verdict}: {outcome.text}", markup=False, soft_wrap=True)
        self._bar.advance(self._task)
        if self._as_json:
            typer.echo(json.dumps(measures_to_json(outcome.measures), ensure_ascii=False))
