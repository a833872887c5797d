"""How well avoidance trials are judged: many random pens whose truth is known, measured as a lab would.

    python -m tests.benchmarks.avoidance --trials 100

Robots, behaviours, decoys (dark, plain and bright), light and tolerances are drawn from the trial's number. Beside the
one exposure, the body is judged by a track: the true places every `FRAME_S` seconds, off by `TRACK_U_M` each. Prints
what docs/avoidance.md tells.
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
from numpy.typing import NDArray

from coverage_lab.files.night import read_night
from coverage_lab.files.sheet import read_runs
from coverage_lab.job import Robot
from coverage_lab.measures.contact import after, contacts, time_s, track_clearance
from coverage_lab.measures.values import DecoyFound
from coverage_lab.room.room import Decoy, Room
from coverage_lab.room.track import Track, driven_m
from coverage_lab.run import measure
from coverage_lab.setting import set_up
from coverage_lab.simulate.avoiding import BEHAVIOURS
from coverage_lab.simulate.exposure import Exposure
from coverage_lab.simulate.night import PEN_NIGHT, NightPlan, write_season
from coverage_lab.simulate.pens import random_pen
from coverage_lab.simulate.robots import FLOCK, Driver, drive

FloatArray = NDArray[np.float64]

FRAME_S, TRACK_U_M = 0.5, 0.002
SURE_MM = 10.0  # from here on, either way, a verdict must be right


@dataclass(frozen=True)
class Judged:
    """One decoy of one trial: what was found and what is true; mm, s and m as the names say."""

    trial: int
    decoy: Decoy
    robot: Robot
    behaviour: str
    found: DecoyFound
    truth: dict[str, Any]
    track: Track

    @property
    def nozzle_error_mm(self) -> float:
        assert self.found.nozzle_clearance_mm is not None
        return self.found.nozzle_clearance_mm.value - self.true_nozzle_mm

    @property
    def true_nozzle_mm(self) -> float:
        return 1000 * float(self.truth["nearest_distance_to_swept_m"])

    @property
    def true_body_mm(self) -> float:
        return 1000 * float(self.truth["body_clearance_m"])

    @property
    def right(self) -> str:
        return "driven over" if self.true_nozzle_mm < 0 else "touched" if self.true_body_mm < 0 else "clear"

    @property
    def track_body_mm(self) -> float:
        return 1000 * track_clearance(self.track, self.decoy.footprint, self.robot.body_diameter_m)

    def after_contact(self) -> tuple[float, float] | None:
        """Errors of the time of first contact (s) and of the way driven after it (share), from the track."""
        moments = contacts(self.track, self.decoy.footprint, self.robot.body_diameter_m)
        true_s = self.truth["first_contact_s"]
        at_s = time_s(self.track, moments[0]) if moments else None
        if at_s is None or true_s is None:
            return None
        length_m = driven_m(after(self.track, moments[0]))
        return at_s - true_s, length_m / self.truth["driven_after_contact_m"] - 1


def plan_of(trial: int) -> tuple[NightPlan, Driver]:
    """Return the night of one trial and who drives."""
    rng = np.random.default_rng([trial, 77])
    room = random_pen(rng)
    driver = replace(FLOCK[trial % len(FLOCK)], manner=BEHAVIOURS[(trial // len(FLOCK) + trial) % len(BEHAVIOURS)])
    light = Exposure(level=float(rng.uniform(0.25, 0.6)))
    plan = NightPlan(room, PEN_NIGHT, trial, (driver,), megapixels=2.0, camera_height_m=2.45, exposure=light)
    return plan, driver


def judge(trial: int) -> list[Judged]:
    """Simulate and measure one trial."""
    plan, driver = plan_of(trial)
    with tempfile.TemporaryDirectory() as folder:
        night = write_season(Path(folder), plan)
        told = json.loads((night / "truth.json").read_text(encoding="utf-8"))["runs"][f"{driver.robot.name}-1"]
        read = read_night(night)
        runs = read_runs(read)
        found = measure(runs[0], set_up(read, runs)).measures.avoidance or ()
    track = _track(driver, plan.room, trial)
    decoys = zip(plan.room.decoys, found, told["truth"]["avoidance"]["decoys"], strict=True)
    return [Judged(trial, decoy, driver.robot, driver.manner, one, true, track) for decoy, one, true in decoys]


def _track(driver: Driver, room: Room, trial: int) -> Track:
    """Return the true places every `FRAME_S` seconds, all a little off."""
    poses: FloatArray = drive(driver, room, np.random.default_rng([trial, 1, 1]))
    times = np.arange(0, poses[-1, 0], FRAME_S)
    places = np.column_stack([np.interp(times, poses[:, 0], poses[:, axis]) for axis in (1, 2)])
    heading = np.interp(times, poses[:, 0], poses[:, 3])
    off = np.random.default_rng([trial, 9]).normal(0, TRACK_U_M, places.shape)
    return Track(times, places + off, heading, np.arange(len(times)), np.ones(len(times) - 1, bool), TRACK_U_M)


def _spread(errors: Iterable[float], most: float, unit: str) -> str:
    size = np.sort(np.abs(list(errors)))
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
    bounds = [one for one in seen if one.found.body_clearance_mm is not None]
    sure = [one for one in judged if abs(one.true_body_mm) > SURE_MM]
    agree = [(one.track_body_mm <= 0) == (one.true_body_mm <= 0) for one in sure]
    by_track = [one.after_contact() for one in judged]
    contacts = [errors for errors in by_track if errors is not None]
    lines = [
        f"trials {len({one.trial for one in judged})}, decoys {len(judged)}",
        "nozzle clearance: " + _spread((one.nozzle_error_mm for one in seen), 4, "mm"),
        "  decoys that are not bright: " + _spread((one.nozzle_error_mm for one in plain), 4, "mm"),
        f"  interval holds the truth: {_held(seen, 'nozzle_clearance_mm'):.1f} %",
        "rings: " + _spread((error for *_, error in rings), 2, "points"),
        f"body by light: bounds hold the truth: {_held(bounds, 'body_clearance_mm'):.1f} % of {len(bounds)}",
        "verdicts by light, true > told: " + _table((one.right, one.found.verdict) for one in sure),
        "body by track: " + _spread((one.track_body_mm - one.true_body_mm for one in judged), 6, "mm"),
        f"contact or none by track, right: {100 * float(np.mean(agree)):.1f} % of {len(sure)}",
        "time of first contact: " + _spread((error for error, _ in contacts), FRAME_S, "s"),
        "way after contact: " + _spread((100 * error for _, error in contacts), 3, "%"),
    ]
    for one in seen:
        wrong = one.found.verdict not in (one.right, "can't be told")
        if abs(one.nozzle_error_mm) > 4 or (wrong and one in sure):
            lines.append(
                f"  trial {one.trial} {one.robot.name} {one.behaviour}, {one.decoy.name}: nozzle off by "
                f"{one.nozzle_error_mm:.1f} mm (u {one.found.nozzle_clearance_mm.u:.1f}), "
                f"told {one.found.verdict}, true {one.right} ({one.true_body_mm:.0f} mm)"
            )
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
    chosen = options.parse_args()
    cv2.setNumThreads(1)
    judged = [one for trial in range(chosen.first, chosen.first + chosen.trials) for one in judge(trial)]
    print(report(judged))


if __name__ == "__main__":
    main()
