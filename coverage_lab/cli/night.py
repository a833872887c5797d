"""`coverage-lab night`: start a night."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

app = typer.Typer(name="night", help="Start a night.", no_args_is_help=True, rich_markup_mode=None)


@app.callback()
def _group() -> None:
    """Start a night."""


@app.command()
def new(
    folder: Annotated[
        Path, typer.Argument(help="The night's folder in its season; made if need be.", show_default=False)
    ],
    repeats: Annotated[int, typer.Option(min=1, max=99, help="Runs of each robot.")] = 3,
    robots: Annotated[
        str, typer.Option(metavar="NAME,NAME", help="Which robots drive; all of the register if not given.")
    ] = "",
    minutes: Annotated[
        float | None,
        typer.Option(min=0.1, help="How long a robot works; as in the night before if not given.", show_default=False),
    ] = None,
    pictures: Annotated[
        Path | None,
        typer.Option(
            "--from",
            metavar="PICTURES",
            help="A folder from a card: propose its runs from the pauses between pictures instead.",
            show_default=False,
        ),
    ] = None,
    seed: Annotated[
        int | None,
        typer.Option(
            min=0, help="Another number gives another order; the folder's name if not given.", show_default=False
        ),
    ] = None,
) -> None:
    """Start a night: run sheet in blocked random order, night.toml as in the night before, a page to print.

    Says how many frames, how much disk space and how many hours it will take, as far as the night before tells. Nothing
    that is there is overwritten. Exit code 0: done; 2: a file or the command is wrong, nothing was written.
    """
    from zlib import crc32

    from coverage_lab.season.carry import (
        PAGE,
        effort_lines,
        night_before,
        page_of,
        proposed_runs,
        robots_for,
        start_night,
    )
    from coverage_lab.season.newnight import blocked_order, effort

    before = night_before(folder)
    if pictures is not None:
        rows = proposed_runs(pictures, folder, before)
        written = start_night(folder, before, rows, None)
        typer.echo(f"{folder}: {len(rows)} runs proposed; {', '.join(path.name for path in written)} written", err=True)
        typer.echo("write the robots into runs.csv, and copy the pictures with their folders into the night", err=True)
        return
    chosen = robots_for(folder, before, [name.strip() for name in robots.split(",") if name.strip()])
    number = crc32(folder.resolve().name.encode()) if seed is None else seed
    rows = blocked_order([robot.name for robot in chosen], repeats, number)
    takes = effort(len(rows), before.usual, None if minutes is None else minutes * 60)
    order = f"Each block of {len(chosen)} holds every robot once, in random order (seed {number}). Keep to it."
    written = start_night(folder, before, rows, page_of(folder, before, rows, chosen, takes, order))
    typer.echo(f"{folder}: {len(rows)} runs; {', '.join(path.name for path in written)} written", err=True)
    for what, much in effort_lines(takes, folder):
        typer.echo(f"  {what.lower()}: {much}", err=True)
    typer.echo(f"print {folder / PAGE} from a browser and take it into the room", err=True)
