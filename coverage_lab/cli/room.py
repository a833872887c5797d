"""`coverage-lab room`: set up the test room."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from coverage_lab.errors import ExitCode

app = typer.Typer(name="room", help="Set up the test room.", no_args_is_help=True, rich_markup_mode=None)


class Paper(StrEnum):
    """What is in the printer."""

    A4 = "a4"
    A3 = "a3"
    LETTER = "letter"


@app.command()
def markers(
    ids: Annotated[str, typer.Option(help="Numbers of the markers, as 0-3 or 0,2,7.")] = "0-3",
    side_mm: Annotated[float, typer.Option(min=20, max=400, help="Side of the black square.")] = 150,
    dictionary: Annotated[str, typer.Option(help="Dictionary as in the room file.")] = "apriltag_36h11",
    paper: Annotated[Paper, typer.Option(help="Paper in the printer.")] = Paper.A4,
    printed_bar_mm: Annotated[
        float, typer.Option(min=80, max=120, help="How long the 100 mm bar of an earlier print came out.")
    ] = 100,
    out: Annotated[Path, typer.Option(help="The PDF to write.")] = Path("markers.pdf"),
) -> None:
    """Write sheets of floor markers true to scale, with a calibration board for `coverage-lab lens` at the end.

    Print at 100 %, measure the 100 mm bar on the sheet, and print again with --printed-bar-mm if it is off.
    """
    from coverage_lab.camera.markers import marker_dictionary
    from coverage_lab.files.store import write_file
    from coverage_lab.show.sheets import MarkerSheet, check_fit, chosen_ids, marker_sheets

    table = marker_dictionary(dictionary)
    numbers = chosen_ids(ids, len(table.bytesList))
    sheets = [MarkerSheet(dictionary, table, number, side_mm) for number in numbers]
    check_fit(sheets[0], paper.value, printed_bar_mm)
    write_file(out, marker_sheets(sheets, paper.value, printed_bar_mm))
    typer.echo(f"{out} written: {len(sheets)} markers and a calibration board; print at 100 %", err=True)
    if printed_bar_mm != 100:
        came_mm = side_mm * printed_bar_mm / 100
        typer.echo(
            f"markers of the earlier print have sides of {came_mm:.1f} mm: side_m = {came_mm / 1000:.4f}", err=True
        )


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


@app.command()
def check(
    night: Annotated[Path, typer.Argument(help="A night with a lights-on reference frame.", show_default=False)],
    out: Annotated[
        Path | None, typer.Option(help="The picture to write; room-check.png in the night's results if not given.")
    ] = None,
) -> None:
    """Say before the night whether the set-up is sound: go or no-go, with every value and its limit.

    Looks at markers, camera, sharpness, hidden floor, each robot's bar, and disk space; says how uncertain coverage
    will be and what would lower that most; where there are exposures already, also at each robot's first. Exit code 0:
    go; 2: a file or the command is wrong; 3: no-go.
    """
    from coverage_lab.cli.checked import print_check
    from coverage_lab.files.store import write_file
    from coverage_lab.season.check_picture import picture_of
    from coverage_lab.season.room_check import check_room

    found = check_room(night, lambda run: typer.echo(f"{run}: measuring its exposure", err=True))
    print_check(found)
    path = out or found.night.folder / "results" / "room-check.png"
    write_file(path, picture_of(found))
    typer.echo(f"{path} written", err=True)
    raise typer.Exit(ExitCode.DONE if found.go else ExitCode.NO_GO)
