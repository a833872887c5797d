"""How well the uncertainty of coverage is told before the night: simulated nights, forecast and then measured.

    python -m tests.benchmarks.forecast --nights 8
    python -m tests.benchmarks.forecast SEASON_OR_NIGHT...

Prints a row per run, and the root mean square of the contribution `threshold`, of which a forecast can only expect
what is usual (`season.forecast.THRESHOLD_POINTS`).
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np

from coverage_lab.camera.markers import find_markers
from coverage_lab.camera.sharpness import marker_sharpness, usual_blur_px
from coverage_lab.frames.read import read_frame
from coverage_lab.run import measure
from coverage_lab.season.forecast import forecast
from coverage_lab.season.jobs import find_jobs
from coverage_lab.setting import lay_out, set_up
from coverage_lab.simulate.night import NightPlan, write_season
from coverage_lab.simulate.robots import FLOCK
from coverage_lab.simulate.rooms import hall, named_room, study
from coverage_lab.trails.rectify import floor_per_pixel_m

HEAD = "| run | forecast u | found u | off | threshold found | blur forecast | found, mm |\n|" + " --- |" * 7


def rows(paths: list[Path]) -> Iterator[tuple[str, float, float]]:
    """Yield a row for each run of some nights, forecast over found, and the threshold's contribution."""
    for job in find_jobs(paths):
        setting = set_up(job.night, job.runs)
        assert job.night.reference
        light = read_frame(job.night.reference).light
        found = find_markers(light, {marker.dictionary for marker in setting.room.markers})
        blur_px = usual_blur_px(marker_sharpness(light, found))
        assert blur_px
        for run in job.runs:
            robot = job.night.robots[run.robot]
            plan = lay_out(setting, robot)
            px_m = floor_per_pixel_m(setting.camera.fit.camera, plan.grid, robot.bar.height_m)
            told = forecast(setting, robot, plan, blur_px, px_m)
            measured = measure(run, setting)
            coverage = measured.measures.coverage
            if told is None or coverage is None or measured.swept is None:
                yield f"| {run.key} | refused: {measured.measures.reason} |", np.nan, np.nan
                continue
            ratio, threshold = told.u_points / coverage.percent.u, coverage.contributions["threshold"].points
            blurs = f"{1000 * told.edge.blur_m:.2f} | {1000 * measured.swept.blur_m:.2f}"
            off = f"{100 * (ratio - 1):+.0f} %"
            row = f"| {run.key} | {told.u_points:.3f} | {coverage.percent.u:.3f} | {off} | {threshold:.3f} | {blurs} |"
            yield row, ratio, threshold


def simulated(folder: Path, nights: int) -> Iterator[Path]:
    """Write nights in rooms of many shapes, under cameras of many heights and resolutions; yield them."""
    for seed in range(11, 11 + nights):
        room = (study(), hall())[seed % 2] if seed % 4 == 0 else named_room("random", seed)
        rng = np.random.default_rng(seed)
        plan = NightPlan(
            room=room,
            name=f"night-{seed}",
            seed=seed,
            drivers=FLOCK[seed % 2 :: 2],
            megapixels=float(rng.uniform(1.5, 6)),
            camera_height_m=float(rng.uniform(2.5, 3.4)),
            lens_file=bool(rng.uniform() < 0.7),
        )
        yield write_season(folder / f"season-{seed}", plan)


def main() -> None:
    """Print the table, and what there is to know of all its runs together."""
    parser = argparse.ArgumentParser()
    parser.add_argument("paths", nargs="*", type=Path)
    parser.add_argument("--nights", type=int, default=8)
    arguments = parser.parse_args()
    cv2.setNumThreads(1)
    ratios, thresholds = [], []
    with tempfile.TemporaryDirectory() as folder:
        print(HEAD)
        for night in arguments.paths or simulated(Path(folder), arguments.nights):
            for row, ratio, threshold in rows([night]):
                print(row, flush=True)
                ratios.append(ratio)
                thresholds.append(threshold)
    off = np.abs(np.array(ratios) - 1)
    print(f"within 25 %: {np.sum(off <= 0.25)} of {np.sum(np.isfinite(off))}; worst {100 * np.nanmax(off):.0f} %")
    print(f"threshold, root mean square: {np.sqrt(np.nanmean(np.square(thresholds))):.3f} points")


if __name__ == "__main__":
    main()
