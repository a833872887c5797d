"""The commands and the one place where errors become exit codes."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from coverage_lab import __version__
from coverage_lab.cli.compare import compare
from coverage_lab.cli.export import export
from coverage_lab.cli.lens import lens
from coverage_lab.cli.measure import measure
from coverage_lab.cli.night import app as night
from coverage_lab.cli.pickup import app as pickup
from coverage_lab.cli.review import review
from coverage_lab.cli.room import app as room
from coverage_lab.cli.simulate import simulate
from coverage_lab.cli.study import study
from coverage_lab.cli.watch import watch
from coverage_lab.errors import CoverageLabError

app = typer.Typer(
    name="coverage-lab",
    help="Measure from overhead long exposures how cleaning robots covered a floor.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,  # plain help starts twice as fast, and reads the same in a log
)
app.command()(measure)
app.command()(export)
app.command()(watch)
app.command()(compare)
app.command()(review)
app.command()(study)
app.command()(simulate)
app.add_typer(night)
app.add_typer(room)
app.add_typer(pickup)
app.command()(lens)


def _print_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"coverage-lab {__version__}")
        raise typer.Exit


@app.callback()
def _options(
    version: Annotated[
        bool, typer.Option("--version", callback=_print_version, is_eager=True, help="Print the version and stop.")
    ] = False,
) -> None:
    """Measure from overhead long exposures how cleaning robots covered a floor."""


def main() -> None:
    """Run the command line; a known error is printed line by line and becomes its exit code.

    Ctrl-C is typer's: it ends any command with 130.
    """
    try:
        app()
    except CoverageLabError as error:
        typer.echo(str(error), err=True)
        sys.exit(error.exit_code)
