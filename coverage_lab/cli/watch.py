"""`coverage-lab watch`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from collections.abc import Callable

    from coverage_lab.season.summary import Summary
    from coverage_lab.season.wanted import Wanted
    from coverage_lab.season.work import Outcome


def watch(
    folder: Annotated[
        Path, typer.Argument(help="A night, a season, or a folder into which such are dropped.", show_default=False)
    ],
    settle: Annotated[
        float | None,
        typer.Option(
            min=0,
            metavar="MINUTES",
            help="After so long without a new frame a run has ended; 10, or five frame periods if that is longer, "
            "if not given.",
            show_default=False,
        ),
    ] = None,
    poll: Annotated[
        bool, typer.Option("--poll", help="Look again and again instead of being told: for network drives.")
    ] = False,
    workers: Annotated[int, typer.Option(min=0, help="Worker processes; 0 is one for each core.")] = 0,
    log: Annotated[
        Path | None, typer.Option("--log", help="Append a line of JSON per run to this file.", show_default=False)
    ] = None,
) -> None:
    """Watch a folder, and measure what is dropped into it once it is there whole.

    A run is whole when its last frame is there and decodes to its end. The last frame is known if the run sheet names
    it, if the next run has begun, or if nothing came for a while. Stops on Ctrl-C (exit code 130) or SIGTERM (0).
    """
    import signal
    import sys
    from types import FrameType

    from coverage_lab.errors import ExitCode
    from coverage_lab.season.watch import Watcher

    stopped_by: list[int] = []

    def stop(number: int, _: FrameType | None) -> None:
        stopped_by.append(number)
        raise KeyboardInterrupt

    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, stop)
    watcher = Watcher(folder.absolute(), _say, _measurer(workers, log), None if settle is None else settle * 60, poll)
    try:
        watcher.run()
    except KeyboardInterrupt:
        typer.echo("stopped: finished runs are kept; watch again for the rest", err=True)
    sys.exit(ExitCode.DONE if stopped_by[-1:] == [signal.SIGTERM] else ExitCode.INTERRUPTED)


def _say(text: str) -> None:
    typer.echo(text, err=True)


def _measurer(workers: int, log: Path | None) -> Callable[[tuple[Wanted, ...], Callable[[Outcome], None]], Summary]:
    """Return what measures with worker processes, which end with each pass: what they leak ends with them."""
    import os
    from functools import partial

    from coverage_lab.cli.progress import Progress
    from coverage_lab.season.batch import measure_all
    from coverage_lab.season.log import RunLog
    from coverage_lab.season.pool import processes

    run_log = None if log is None else RunLog(log)

    def measure(wanted: tuple[Wanted, ...], report: Callable[[Outcome], None]) -> Summary:
        total = sum(len(one.reasons) for one in wanted)
        count = min(workers or os.cpu_count() or 1, max(total, 1))
        with Progress(total, log=run_log) as progress:

            def both(outcome: Outcome) -> None:
                progress.report(outcome)
                report(outcome)

            summary = measure_all(wanted, both, start=partial(processes, count), in_flight=2 * count)
        if run_log is not None and run_log.trouble is not None:
            summary.notes.append(run_log.trouble)
            run_log.trouble = None
        return summary

    return measure
