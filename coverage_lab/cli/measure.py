"""`coverage-lab measure`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from coverage_lab.errors import ExitCode


def measure(
    paths: Annotated[
        list[Path],
        typer.Argument(help="Runs (NIGHT/RUN), nights, or a season folder.", metavar="PATH", show_default=False),
    ],
    as_json: Annotated[bool, typer.Option("--json", help="Print one line of JSON per run to standard output.")] = False,
) -> None:
    """Measure runs: coverage, edges, missed pockets, driving pattern, and an annotated picture of each.

    Results go to the folder "results" in each night. Exit code 0: all measured; 1: some runs were refused or
    failed, each is named; 2: a file or the command is wrong, nothing was measured.
    """
    from coverage_lab.cli.progress import Progress
    from coverage_lab.season.batch import measure_all
    from coverage_lab.season.jobs import find_jobs

    jobs = find_jobs(paths)
    with Progress(sum(len(job.runs) for job in jobs), as_json) as progress:
        try:
            summary = measure_all(jobs, progress.report)
        except KeyboardInterrupt:
            typer.echo("stopped: finished runs are kept; measure again for the rest", err=True)
            raise typer.Exit(ExitCode.INTERRUPTED) from None
    typer.echo(str(summary), err=True)
    raise typer.Exit(summary.exit_code)
