"""`coverage-lab simulate`: make a season whose truth is known."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer


class RoomChoice(StrEnum):
    """Which test room to photograph."""

    STUDY = "study"
    HALL = "hall"
    RANDOM = "random"
    PEN = "pen"
    RANDOM_PEN = "random-pen"


class Look(StrEnum):
    """How the camera writes its pictures."""

    PLAIN = "plain"
    VIVID = "vivid"
    LINEAR = "linear"


def simulate(
    out: Annotated[Path, typer.Option(help="Folder for the season; made if it is not there.", show_default=False)],
    seed: Annotated[int, typer.Option(min=0, help="Another number gives another night; the same, the same.")] = 1,
    robots: Annotated[int, typer.Option(min=1, max=6, help="How many robots drive, each in its own manner.")] = 3,
    repeats: Annotated[int, typer.Option(min=1, max=50, help="Runs of each robot.")] = 1,
    room: Annotated[
        RoomChoice, typer.Option(help="The test room, or a pen with decoys; random draws one.")
    ] = RoomChoice.STUDY,
    megapixels: Annotated[float, typer.Option(min=0.3, max=30, help="Size of the pictures.")] = 3.0,
    brightness: Annotated[
        float, typer.Option(min=1, max=500, help="Light of a single pass, percent of full scale; over 100 clips.")
    ] = 45.0,
    look: Annotated[
        Look, typer.Option(help="plain JPEG; vivid JPEG (contrast and sharpening); linear 16-bit PNG with dark frame.")
    ] = Look.PLAIN,
    frames: Annotated[int, typer.Option(min=1, max=2000, help="Exposures in a row that each run is shot as.")] = 1,
    shutter_gap_s: Annotated[
        float, typer.Option(min=0, max=60, help="How long the shutter is closed between two of them.")
    ] = 0.0,
) -> None:
    """Make a season of long exposures with known truth, to try things out on; in a pen, avoidance trials.

    Writes robots.toml and one night: room, run sheet, lens, lights-on reference, an exposure of each run, and
    truth.json with what really happened. Bar heights, markers and tape are off within their stated tolerances.
    """
    from coverage_lab.errors import BadInput, Problem
    from coverage_lab.simulate.exposure import Exposure
    from coverage_lab.simulate.night import NIGHT, PEN_NIGHT, NightPlan, write_season
    from coverage_lab.simulate.pens import named_place
    from coverage_lab.simulate.robots import AVOIDERS, FLOCK
    from coverage_lab.simulate.sensor import Sensor, Transfer
    from coverage_lab.simulate.series import Shutter

    place = named_place(room.value, seed)
    name, flock = (PEN_NIGHT, AVOIDERS) if place.decoys else (NIGHT, FLOCK)
    if (out / name).exists():
        raise BadInput(Problem(out / name, "", "is there already", "Choose another folder, or remove it"))
    transfers: dict[Look, Transfer] = {Look.PLAIN: "srgb", Look.VIVID: "camera", Look.LINEAR: "linear"}
    plan = NightPlan(
        room=place,
        name=name,
        seed=seed,
        drivers=flock[:robots],
        repeats=repeats,
        megapixels=megapixels,
        exposure=Exposure(level=brightness / 100, sensor=Sensor(transfer=transfers[look])),
        shutter=Shutter(frames, shutter_gap_s) if frames > 1 else None,
    )
    night = write_season(out, plan)
    typer.echo(f"{robots * repeats} runs written to {night}; what really happened is in truth.json", err=True)
