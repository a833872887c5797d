"""`coverage-lab lens`: calibrate a lens."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Annotated

import typer


def _corners(words: str | None) -> tuple[int, int] | None:
    """Read --chessboard, as 9x6."""
    if words is None:
        return None
    sizes = re.fullmatch(r"(\d{1,2})[x×](\d{1,2})", words)
    if sizes is None or min(int(sizes[1]), int(sizes[2])) < 3:
        raise typer.BadParameter(f"{words!r} is no board; write inner corners along and across, as 9x6")
    return int(sizes[1]), int(sizes[2])


def lens(
    pictures: Annotated[list[Path], typer.Argument(help="Pictures of the board.", metavar="PICTURES")],
    out: Annotated[Path, typer.Option(help="The lens file to write; its map goes beside it, .png.")] = Path(
        "lens.json"
    ),
    chessboard: Annotated[
        str | None, typer.Option(help="Inner corners of a plain chessboard, as 9x6, instead of our printed board.")
    ] = None,
) -> None:
    """Calibrate a lens from pictures of the printed board (see `coverage-lab room markers`).

    Writes lens.json and a map of what it rests on. Exit code 1: the pictures cannot tell the lens; what to shoot next
    is said.
    """
    import cv2

    from coverage_lab.camera.calibrate import lens_values
    from coverage_lab.files.lens import write_lens
    from coverage_lab.files.store import write_files
    from coverage_lab.season.calibration import calibrate_from, found_values
    from coverage_lab.show.lens_map import lens_map

    found, views, problems = calibrate_from(pictures, _corners(chessboard))
    for problem in problems:
        typer.echo(str(problem), err=True)
    for name, rms_px in found.left_out.items():
        typer.echo(f"{name}: misses the others by {rms_px:.2f} px: left out", err=True)
    write_lens(found.lens, out, found=found_values(found))
    _, drawn = cv2.imencode(".png", cv2.cvtColor(lens_map(found, views), cv2.COLOR_RGB2BGR))
    write_files({out.with_suffix(".png"): drawn.tobytes()})
    values = ", ".join(
        f"{name} {value:.1f} ± {found.u[name]:.1f} px"
        for name, value in lens_values(found.lens).items()
        if name[0] in "fc"
    )
    typer.echo(f"{out} written: {found.lens.model}, {values}, {found.rms_px:.2f} px left over", err=True)
