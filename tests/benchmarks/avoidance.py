"""How well avoidance trials are judged: many random pens whose truth is known, measured as a lab would.

    python -m tests.benchmarks.avoidance --trials 100
    python -m tests.benchmarks.avoidance --trials 100 --series

Robots, behaviours, decoys (dark, plain and bright), light and tolerances are drawn from the trial's number; of a series
also how long its frames are (5 to 10 s) and for how long the shutter is closed between two (0 to 0.5 s). Prints what
docs/avoidance.md tells.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray

from coverage_lab.files.night import read_night
from coverage_lab.files.sheet import read_runs
from coverage_lab.job import Robot
from coverage_lab.measures.values import DecoyFound
from coverage_lab.room.room import Decoy
from coverage_lab.run import measure
from coverage_lab.setting import set_up
from coverage_lab.simulate.avoiding import BEHAVIOURS
from coverage_lab.simulate.exposure import Exposure
from coverage_lab.simulate.night import PEN_NIGHT, NightPlan, write_season
from coverage_lab.simulate.pens import random_pen
from coverage_lab.simulate.robots import FLOCK, Driver, drive
from coverage_lab.simulate.series import Shutter

FloatArray = NDArray[np.float64]

SURE_MM = 10.0  # from here on, either way, a verdict must be right
LEFT_M = 0.03  # a robot has left a decoy when it is so far away


@dataclass(frozen=True)
class Judged:
    """One decoy of one trial: what was found and what is true; mm, s and m as the names say."""

    trial: int
    decoy: Decoy
    robot: Robot
    behaviour: str
    found: DecoyFound
    truth: dict[str, Any]
    frame_s: float  # 0: one exposure
    contacts: int

    @property
    def nozzle_error_mm(self) -> float:
        assert self.found.nozzle_clearance_mm is not None
        return self.found.nozzle_clearance_mm.value - self.true_nozzle_mm

    @property
    def body_error_mm(self) -> float:
        assert self.found.body_clearance_mm is not None
        return self.found.body_clearance_mm.value - self.true_body_mm

    @property
    def true_nozzle_mm(self) -> float:
        return 1000 * float(self.truth["nearest_distance_to_swept_m"])

    @property
    def true_body_mm(self) -> float:
        return 1000 * float(self.truth["body_clearance_m"])

    @property
    def right(self) -> str:
        return "driven over" if self.true_nozzle_mm < 0 else "touched" if self.true_body_mm < 0 else "clear"

    def after_contact(self) -> tuple[float, float] | None:
        """Errors of the time of first contact (frames) and of the way driven after it (percent)."""
        smear, true_s = self.found.smear, self.truth["first_contact_s"]
        if smear is None or smear.contact_t_s is None or true_s is None:
            return None
        way = smear.length_m.value / self.truth["driven_after_contact_m"]
        return (smear.contact_t_s - true_s) / self.frame_s, 100 * (way - 1)


def plan_of(trial: int) -> tuple[NightPlan, Driver]:
    """Return the night of one trial and who drives."""
    rng = np.random.default_rng([trial, 77])
    room = random_pen(rng)
    driver = replace(FLOCK[trial % len(FLOCK)], manner=BEHAVIOURS[(trial // len(FLOCK) + trial) % len(BEHAVIOURS)])
    light = Exposure(level=float(rng.uniform(0.25, 0.6)))
    plan = NightPlan(room, PEN_NIGHT, trial, (driver,), megapixels=2.0, camera_height_m=2.45, exposure=light)
    return plan, driver


def shutter_of(trial: int, duration_s: float) -> Shutter:
    """Return how a trial is cut into frames."""
    rng = np.random.default_rng([trial, 5])
    gap_s, frame_s = float(rng.uniform(0, 0.5)), float(rng.uniform(5, 10))
    return Shutter(int(np.ceil(duration_s / (frame_s + gap_s))), gap_s)


def judge(trial: int, *, series: bool) -> list[Judged]:
    """Simulate and measure one trial."""
    plan, driver = plan_of(trial)
    poses: FloatArray = drive(driver, plan.room, np.random.default_rng([trial, 1, 1]))
    shutter = shutter_of(trial, float(poses[-1, 0])) if series else None
    with tempfile.TemporaryDirectory() as folder:
        night = write_season(Path(folder), replace(plan, shutter=shutter))
        told = json.loads((night / "truth.json").read_text(encoding="utf-8"))["runs"][f"{driver.robot.name}-1"]
        read = read_night(night)
        runs = read_runs(read)
        measures = measure(runs[0], set_up(read, runs)).measures
    if measures.verdict == "refused":
        print(f"trial {trial} was refused: {measures.reason}")
        return []
    frame_s = told["timing"]["frames"][0]["exposure_s"] if series else 0.0
    decoys = zip(plan.room.decoys, measures.avoidance or (), told["truth"]["avoidance"]["decoys"], strict=True)
    return [
        Judged(trial, decoy, driver.robot, driver.manner, one, true, frame_s, contacts_of(poses, driver.robot, decoy))
        for decoy, one, true in decoys
    ]


def contacts_of(poses: FloatArray, robot: Robot, decoy: Decoy) -> int:
    """Return how often the body came to touch a decoy."""
    away_m = shapely.distance(shapely.points(poses[:, 1:3]), decoy.footprint) - robot.body_diameter_m / 2
    count, touching = 0, False
    for gap_m in away_m.tolist():
        count += not touching and gap_m <= 0
        touching = gap_m <= (LEFT_M if touching else 0)
    return count


def _spread(errors: Iterable[float], most: float, unit: str) -> str:
    size = np.sort(np.abs(list(errors)))
    if len(size) == 0:
        return "none"
    within = 100 * float(np.mean(size <= most))
    return (
        f"median {np.median(size):.2f}, 95 % within {np.percentile(size, 95):.2f}, worst {size[-1]:.2f} {unit}; "
        f"{within:.1f} % within {most:g} {unit} (of {len(size)})"
    )


def report(judged: list[Judged]) -> str:
    """Return the figures as text."""
    seen = [one for one in judged if one.found.nozzle_clearance_mm is not None]
    plain = [one for one in seen if not one.decoy.name.startswith("bright ")]
    rings = [
        (one, width, one.found.rings[width].value - one.truth["rings_swept_percent"][str(width)])
        for one in seen
        for width in (50, 100, 150)
        if one.found.rings[width] is not None
    ]
    bodies = [one for one in seen if one.found.body_clearance_mm is not None]
    widths = [np.ptp(one.found.body_clearance_mm.interval_95) / 2 for one in bodies]
    sure = [one for one in judged if abs(one.true_body_mm) > SURE_MM]
    touches = [errors for errors in (one.after_contact() for one in judged) if errors is not None]
    again = [
        one.contacts == 1 + len(one.found.smear.later_contacts_t_s) for one in judged if one.found.smear is not None
    ]
    lines = [
        f"trials {len({one.trial for one in judged})}, decoys {len(judged)}",
        "nozzle clearance: " + _spread((one.nozzle_error_mm for one in seen), 4, "mm"),
        "  decoys that are not bright: " + _spread((one.nozzle_error_mm for one in plain), 4, "mm"),
        f"  interval holds the truth: {_held(seen, 'nozzle_clearance_mm'):.1f} %",
        "rings: " + _spread((error for *_, error in rings), 2, "points"),
        "body clearance: " + _spread((one.body_error_mm for one in bodies), 6, "mm"),
        f"  interval holds the truth: {_held(bodies, 'body_clearance_mm'):.1f} %, half: {np.median(widths):.1f} mm",
        f"verdicts of {len(sure)} that must be right, true > told: "
        + _table((one.right, one.found.verdict) for one in sure),
        "time of first contact: " + _spread((error for error, _ in touches), 1, "frames"),
        "way after contact: " + _spread((error for _, error in touches), 3, "%"),
        f"contacts counted right: {sum(again)} of {len(again)}",
    ]
    for one in seen:
        wrong = one.found.verdict not in (one.right, "can't be told")
        if abs(one.nozzle_error_mm) > 4 or (wrong and one in sure):
            lines.append(
                f"  trial {one.trial} {one.robot.name} {one.behaviour}, {one.decoy.name}: nozzle off by "
                f"{one.nozzle_error_mm:.1f} mm (u {one.found.nozzle_clearance_mm.u:.1f}), "
                f"told {one.found.verdict}, true {one.right} ({one.true_body_mm:.0f} mm)"
            )
    lines += [
        f"  trial {one.trial} {one.robot.name}, {one.decoy.name}: ring {width} mm off by {error:.1f} points"
        for one, width, error in rings
        if abs(error) > 2
    ]
    return "\n".join(lines)


def _held(some: list[Judged], key: str) -> float:
    """Percent of intervals that hold the truth."""
    true = {"nozzle_clearance_mm": "true_nozzle_mm", "body_clearance_mm": "true_body_mm"}[key]
    held = []
    for one in some:
        low, high = getattr(one.found, key).interval_95
        held.append(low <= getattr(one, true) <= high)
    return 100 * float(np.mean(held))


def _table(pairs: Iterable[tuple[str, str]]) -> str:
    return "; ".join(f"{right} > {told}: {count}" for (right, told), count in sorted(Counter(pairs).items()))


def main() -> None:
    """Run the trials and print the figures."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--trials", type=int, default=100)
    options.add_argument("--first", type=int, default=0)
    options.add_argument("--series", action="store_true", help="many frames instead of one exposure")
    chosen = options.parse_args()
    cv2.setNumThreads(1)
    trials = range(chosen.first, chosen.first + chosen.trials)
    print(report([one for trial in trials for one in judge(trial, series=chosen.series)]))


if __name__ == "__main__":
    main()
