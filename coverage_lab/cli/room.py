"""`coverage-lab room`: set up the test room."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

app = typer.Typer(name="room", help="Set up the test room.", no_args_is_help=True, rich_markup_mode=None)


@app.command()
def trace(
    night: Annotated[Path, typer.Argument(help="A night with a lights-on reference frame.", show_default=False)],
    out: Annotated[Path, typer.Option(help="The page to write, .html.")] = Path("trace.html"),
) -> None:
    """Write a page on which the room is drawn: floor, furniture, zones, decoys and dock, over the floor's picture.

    The page is one file that opens in a browser without a network. What is drawn there is saved as room.geojson, to
    be put into the night's folder.
    """
    from coverage_lab.files.night import read_night
    from coverage_lab.files.store import write_file
    from coverage_lab.season.tracing import page_of

    write_file(out, page_of(read_night(night)).encode())
    typer.echo(f"{out} written: open it in a browser, draw, and save room.geojson into {night}", err=True)
