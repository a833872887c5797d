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
    again: Annotated[bool, typer.Option("--again", help="Measure also runs whose results still hold.")] = False,
    verify: Annotated[
        bool, typer.Option("--verify", help="Read every file to see what changed; do not trust size and time stamp.")
    ] = False,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Say what would be measured, why and with what; measure nothing.")
    ] = False,
    workers: Annotated[int, typer.Option(min=0, help="Worker processes; 0 is one for each core.")] = 0,
    cluster: Annotated[
        str | None,
        typer.Option(
            metavar="ADDRESS",
            help="Measure with the workers of a dask scheduler, as tcp://host:8786.",
            show_default=False,
        ),
    ] = None,
    path_map: Annotated[
        list[str] | None,
        typer.Option(metavar="LOCAL=REMOTE", help="A folder here, and where workers have it.", show_default=False),
    ] = None,
    results: Annotated[
        Path | None,
        typer.Option(metavar="DIR", help="Keep results in DIR/NIGHT/results, not in the nights.", show_default=False),
    ] = None,
    log: Annotated[
        Path | None, typer.Option("--log", help="Append a line of JSON per run to this file.", show_default=False)
    ] = None,
    quiet: Annotated[
        bool, typer.Option("--quiet", help="Tell only what was refused, failed or is in trouble.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print one line of JSON per run to standard output.")] = False,
) -> None:
    """Measure runs: coverage, edges, missed pockets, driving pattern, and an annotated picture of each.

    Results go to the folder "results" in each night, or below --results. Runs whose results still hold are left
    alone. Exit code 0: all measured, or nothing new to do; 1: some runs were refused or failed, each is named; 2: a
    file or the command is wrong, nothing was measured.
    """
    import os

    from coverage_lab.cli.progress import Progress, print_table
    from coverage_lab.season.batch import crew, measure_all
    from coverage_lab.season.cluster import crew_of, read_path_map
    from coverage_lab.season.jobs import find_jobs
    from coverage_lab.season.log import RunLog
    from coverage_lab.season.preview import preview
    from coverage_lab.season.wanted import look_through, orphans

    jobs = find_jobs(paths, results)
    wanted = look_through(jobs, again=again, verify=verify)
    for line in (f"{key}: no run of this night any more; its results are kept" for job in jobs for key in orphans(job)):
        typer.echo(line, err=True)
    if dry_run:
        for line in (line for one in wanted for line in preview(one)):
            typer.echo(line, err=True)
        return
    total = sum(len(one.reasons) for one in wanted)
    if cluster is None:
        start, in_flight = crew(workers or os.cpu_count() or 1, total)
    else:
        folders = [one.job.night.results for one in wanted if one.reasons]
        start, in_flight = crew_of(cluster, folders, read_path_map(path_map or []))
    run_log = None if log is None else RunLog(log)
    with Progress(total, as_json=as_json, quiet=quiet, log=run_log) as progress:
        try:
            summary = measure_all(wanted, progress.report, start=start, in_flight=in_flight, again=again)
        except KeyboardInterrupt:
            typer.echo("stopped: finished runs are kept; measure again for the rest", err=True)
            raise typer.Exit(ExitCode.INTERRUPTED) from None
    if run_log is not None and run_log.trouble is not None:
        summary.notes.append(run_log.trouble)
    if quiet:
        told = [*summary.troubles, *summary.notes]
    else:
        print_table(summary)
        told = [str(summary)]
    for line in told:
        typer.echo(line, err=True)
    raise typer.Exit(summary.exit_code)
