"""`coverage-lab export`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from coverage_lab.errors import ExitCode


def export(
    season: Annotated[Path, typer.Argument(help="The season folder.", metavar="SEASON", show_default=False)],
    out: Annotated[
        Path, typer.Option("--out", help="The table to write: FILE.csv or FILE.parquet.", show_default=False)
    ],
) -> None:
    """Write all runs of a season into one table: headline numbers, conditions, review, and how they were made.

    Exit code 0: done; 1: some results could not be read, each is named and left out; 2: a file or the command is wrong.
    """
    from coverage_lab.season.export import check_out
    from coverage_lab.season.export import export as write
    from coverage_lab.season.index import open_index

    check_out(out)
    with open_index(season) as index:
        problems = index.problems()
        for problem in problems:
            typer.echo(str(problem), err=True)
        runs = write(index, out)
    typer.echo(f"{runs} runs written to {out}", err=True)
    raise typer.Exit(ExitCode.SOME_FAILED if problems else ExitCode.DONE)
