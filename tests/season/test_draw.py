"""The reviewer's picture can be drawn again from what is stored and the frame."""

from __future__ import annotations

import shutil
from pathlib import Path

import cv2
import numpy as np
import pytest
from small_night import Lab

from coverage_lab import read_night, read_runs, set_up
from coverage_lab.errors import BadInput
from coverage_lab.season.draw import draw_again


def drawn_again(night_folder: Path) -> tuple[bytes, bytes]:
    """The picture drawn again, and the stored one."""
    night = read_night(night_folder)
    run, *_ = runs = read_runs(night)
    folder = night_folder / "results" / run.id
    return draw_again(run, set_up(night, runs), folder), (folder / "overlay.png").read_bytes()


def pixels(png: bytes) -> np.ndarray:
    picture = cv2.imdecode(np.frombuffer(png, np.uint8), cv2.IMREAD_UNCHANGED)
    assert picture is not None
    return picture


def test_the_same_picture_of_a_simulated_run(lab: Lab):
    lab.measure(lab.night / "heron-1")
    again, stored = drawn_again(lab.night)
    assert np.array_equal(pixels(again), pixels(stored))


def test_the_same_picture_of_a_rendered_run(rendered: Path, tmp_path: Path, lab: Lab):
    night = Path(shutil.copytree(rendered / "bounce", tmp_path / "bounce", copy_function=shutil.copyfile))
    lab.measure(night)
    again, stored = drawn_again(night)
    assert np.array_equal(pixels(again), pixels(stored))


def test_the_same_picture_of_a_refused_run(lab: Lab):
    frame = str(lab.night / "heron-1.jpg")
    picture = cv2.imread(frame)
    assert picture is not None
    cv2.imwrite(frame, np.zeros_like(picture))
    lab.measure(lab.night / "heron-1")
    again, stored = drawn_again(lab.night)
    assert np.array_equal(pixels(again), pixels(stored))


def test_nothing_stored(lab: Lab):
    with pytest.raises(BadInput, match="Measure the run first"):
        drawn_again(lab.night)


def test_broken_results(lab: Lab):
    lab.measure(lab.night / "heron-1")
    path = lab.night / "results" / "heron-1" / "measures.json"
    path.write_text('{"schema": "coverage-lab/measures/1"}', encoding="utf-8")
    with pytest.raises(BadInput, match=r"does not hold what a measured run says.*Measure the run again"):
        drawn_again(lab.night)
