"""A season of twelve invented robots over three nights, each robot once a night, for the pictures in the documents.

python -m tests.benchmarks.twelve FOLDER
coverage-lab measure FOLDER
coverage-lab compare FOLDER --reference heron
"""

from __future__ import annotations

import json
import shutil
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from statistics import mean

from coverage_lab.simulate.drives import Motion
from coverage_lab.simulate.night import NIGHT, NightPlan, write_season
from coverage_lab.simulate.robots import FLOCK, Driver
from coverage_lab.simulate.rooms import study

NIGHTS = (NIGHT, "2031-02-12", "2031-02-13")


def _like(name: str, nozzle_m: float, body_m: float, motion: Motion, kin: Driver) -> Driver:
    """Another robot that drives in the manner of its kin."""
    pitch_m = 0.012
    leds = int(nozzle_m / pitch_m)
    bar = replace(kin.robot.bar, nozzle_m=nozzle_m, led_count=leds, lit_length_m=(leds - 1) * pitch_m)
    return replace(kin, robot=replace(kin.robot, name=name, bar=bar, body_diameter_m=body_m), motion=motion)


TWELVE = (
    *FLOCK,
    *(
        _like(name, nozzle_m, body_m, motion, kin)
        for (name, nozzle_m, body_m, motion), kin in zip(
            (
                ("knot", 0.19, 0.32, Motion(0.24, 1.5)),
                ("avocet", 0.24, 0.33, Motion(0.32, 1.8)),
                ("godwit", 0.20, 0.30, Motion(0.28, 1.4)),
                ("lapwing", 0.21, 0.34, Motion(0.25, 1.6)),
                ("egret", 0.25, 0.36, Motion(0.30, 1.5)),
                ("ibis", 0.23, 0.35, Motion(0.27, 1.5)),
            ),
            FLOCK,
            strict=True,
        )
    ),
)


def write_twelve(folder: Path, drivers: Sequence[Driver] = TWELVE, megapixels: float = 2.0) -> None:
    """Write the season into `folder`: three nights, each with its own camera set-up and markers laid anew."""
    for repeat, night in enumerate(NIGHTS, 1):
        with tempfile.TemporaryDirectory() as scratch:
            plan = NightPlan(study(), seed=repeat, drivers=tuple(drivers), megapixels=megapixels)
            made = write_season(Path(scratch), plan)
            rows = [f"{one.robot.name}-1,{one.robot.name},{repeat},{one.robot.name}-1.jpg,coverage" for one in drivers]
            (made / "runs.csv").write_text("\n".join(["run,robot,repeat,frames,trial", *rows, ""]), "utf-8")
            shutil.copytree(made, folder / night)
            shutil.copy(Path(scratch) / "robots.toml", folder)


def check(folder: Path) -> str:
    """Say how often the comparison's intervals hold what the robots really did on the floor that each run shows."""
    compared = json.loads((folder / "comparison" / "comparison.json").read_text("utf-8"))
    true_percents: dict[str, list[float]] = {}
    for night in NIGHTS:
        for run, told in json.loads((folder / night / "truth.json").read_text("utf-8"))["runs"].items():
            seen = told["truth"]["hidden_from_camera"]["coverage_percent_of_visible_free_floor"]
            true_percents.setdefault(run.removesuffix("-1"), []).append(seen)
    truth = {robot: mean(percents) for robot, percents in true_percents.items()}
    held = [low <= truth[one["robot"]] <= high for one in compared["robots"] for low, high in [one["estimate_95"]]]
    differences = compared["tukey"]["differences"]
    apart = [truth[one["robot"]] - truth[one["against"]] for one in differences]
    within = [
        low <= gap <= high for one, gap in zip(differences, apart, strict=True) for low, high in [one["interval_95"]]
    ]
    wrong = sum(one["different"] and one["points"] * gap < 0 for one, gap in zip(differences, apart, strict=True))
    return (
        f"{sum(held)} of {len(held)} robots' intervals and {sum(within)} of {len(within)} differences' hold the truth; "
        f"{wrong} of {sum(one['different'] for one in differences)} differences that were found are the wrong way round"
    )


if __name__ == "__main__":
    if "--check" in sys.argv:
        print(check(Path(sys.argv[1])))
    else:
        write_twelve(Path(sys.argv[1]))
