"""`coverage-lab review`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def review(
    run: Annotated[Path, typer.Argument(help="The run: NIGHT/RUN.", metavar="NIGHT/RUN", show_default=False)],
    accept: Annotated[bool, typer.Option("--accept", help="Its numbers may be used.")] = False,
    refuse: Annotated[bool, typer.Option("--refuse", help="It leaves every comparison, and stays listed.")] = False,
    reason: Annotated[str, typer.Option("--reason", help="Why; needed to refuse.", show_default=False)] = "",
    by: Annotated[str, typer.Option("--by", help="Who says so.", show_default="the user logged in")] = "",
) -> None:
    """Accept or refuse a measured run. It is open again once it is measured with other numbers.

    Every review is kept, the last one counts. Exit code 0: written down; 1: cannot be stored; 2: there is no such run,
    or the command is wrong.
    """
    from coverage_lab.errors import BadInput, Problem
    from coverage_lab.season.reviewing import review_run

    if accept == refuse:
        raise BadInput(Problem(None, "--accept, --refuse", "exactly one of them is needed", "Give one"))
    said = review_run(run, "accepted" if accept else "refused", reason, by or _user())
    typer.echo(f"{run}: {said.decision} by {said.by}{f': {said.reason}' if said.reason else ''}", err=True)


def _user() -> str:
    import getpass

    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return "unknown"
