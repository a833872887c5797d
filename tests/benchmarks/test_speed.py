"""What measuring costs, as ratios to other work on the same picture in the same process, one thread each.

Run with `python -m pytest --benchmark-only`. Every pair is timed by turns, so that the machine's speed cancels out.
"""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

import cv2
import numpy as np
import pytest
from skimage import color, filters, measure, transform
from threadpoolctl import threadpool_limits

from coverage_lab.files.night import read_night
from coverage_lab.files.sheet import read_runs
from coverage_lab.run import measure as measure_run
from coverage_lab.setting import set_up
from coverage_lab.show.overlay import draw_overlay, encode_png
from coverage_lab.simulate.night import NightPlan, write_season
from coverage_lab.simulate.robots import FLOCK
from coverage_lab.simulate.rooms import named_room

ROUNDS = 7


@pytest.fixture(scope="module")
def night(tmp_path_factory) -> Path:
    """A night with one run of 24 megapixels."""
    plan = NightPlan(named_room("study", 1), drivers=FLOCK[:1], megapixels=24.0, draw_tolerances=False)
    return write_season(tmp_path_factory.mktemp("season"), plan)


@pytest.fixture(autouse=True)
def one_thread():
    cv2.setNumThreads(1)
    with threadpool_limits(1):
        yield


def ratio_of(benchmark, ours, theirs) -> float:
    """Median of the times of `ours` over those of `theirs`, measured by turns; `ours` is also what is reported."""
    ratios = []

    def pair():
        start = time.perf_counter()
        theirs()
        between = time.perf_counter()
        ours()
        ratios.append((time.perf_counter() - between) / (between - start))

    ours()
    benchmark.pedantic(pair, rounds=ROUNDS)
    benchmark.extra_info["ratio"] = float(np.median(ratios))
    return float(np.median(ratios))


def job(night: Path):
    described = read_night(night)
    runs = read_runs(described)
    return runs[0], set_up(described, runs)


def test_measuring_takes_at_most_two_and_a_half_times_as_long_as_opening_the_picture(benchmark, night):
    run, setting = job(night)
    picture = str(run.frames[0])
    assert ratio_of(benchmark, lambda: measure_run(run, setting), lambda: cv2.imread(picture)) <= 2.5


def test_measuring_and_drawing_take_at_most_five_times_as_long_as_opening_the_picture(benchmark, night):
    run, setting = job(night)
    picture = str(run.frames[0])

    def measured_and_drawn():
        found = measure_run(run, setting)
        return encode_png(draw_overlay(found.light, found.plan, found.swept.share, found.measures))

    assert ratio_of(benchmark, measured_and_drawn, lambda: cv2.imread(picture)) <= 5


def test_measuring_is_five_times_as_fast_as_a_plain_script(benchmark, night):
    run, setting = job(night)
    plan_rows, plan_cols, cell_m, north_m = 1700, 2100, 0.002, 3.3
    camera = setting.camera.fit.camera
    corners_m = np.array([[0.0, 0.0], [4.0, 0.0], [4.0, 3.2], [0.0, 3.2]])
    pixels = camera.project(np.column_stack([corners_m, np.full(4, 0.095)]))
    cells = np.column_stack([corners_m[:, 0] / cell_m, (north_m - corners_m[:, 1]) / cell_m])
    flat = transform.ProjectiveTransform.from_estimate(cells, pixels)

    def plain_script():
        grey = color.rgb2gray(cv2.imread(str(run.frames[0])))
        plan = transform.warp(grey, flat, output_shape=(plan_rows, plan_cols), order=1)
        swept = plan > filters.threshold_otsu(plan)
        return [region.area for region in measure.regionprops(measure.label(~swept))]

    assert 1 / ratio_of(benchmark, lambda: measure_run(run, setting), plain_script) >= 5


def test_a_run_of_24_megapixels_fits_into_700_megabytes(benchmark, night):
    """The peak is that of a process of its own which measures and draws the run as the command does."""
    # The kernel's own account of a child would begin with this process' size.
    script = (
        "import sys; from coverage_lab.cli.app import app; app(sys.argv[1:], standalone_mode=False); "
        "print(next(line for line in open('/proc/self/status') if line.startswith('VmHWM')).split()[1])"
    )
    command = [sys.executable, "-c", script, "measure", str(night)]
    done = benchmark.pedantic(lambda: subprocess.run(command, check=True, capture_output=True, text=True), rounds=1)
    peak_mb = int(done.stdout) / 1024
    benchmark.extra_info["peak_mb"] = peak_mb
    assert peak_mb <= 700
