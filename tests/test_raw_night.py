"""A whole night of raw files, measured like the same night of 16-bit pictures."""

from __future__ import annotations

import shutil
from pathlib import Path

import cv2
import numpy as np
import pytest
from raw_files import BLACK, WHITE, write_dng

from coverage_lab.files.night import read_night
from coverage_lab.files.sheet import read_runs
from coverage_lab.run import measure
from coverage_lab.setting import set_up
from coverage_lab.simulate.exposure import Exposure
from coverage_lab.simulate.night import NightPlan, write_season
from coverage_lab.simulate.robots import FLOCK
from coverage_lab.simulate.rooms import study
from coverage_lab.simulate.sensor import Sensor


def as_raw(path: Path) -> None:
    """Put a raw file in a linear picture's place: of each pixel the sensor saw one colour."""
    colour = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
    if colour.dtype == np.uint8:
        code = colour / 255
        light = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)
    else:
        light = colour / 65535
    mosaic = light[..., 1].copy()
    mosaic[::2, ::2], mosaic[1::2, 1::2] = light[::2, ::2, 2], light[1::2, 1::2, 0]
    write_dng(path.with_suffix(".dng"), np.rint(BLACK + mosaic * (WHITE - BLACK)))
    path.unlink()


@pytest.fixture(scope="module")
def nights(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    plan = NightPlan(
        room=study(), drivers=FLOCK[:1], megapixels=1.2, exposure=Exposure(sensor=Sensor(transfer="linear"))
    )
    plain = write_season(tmp_path_factory.mktemp("plain") / "season", plan)
    raw = Path(shutil.copytree(plain.parent, tmp_path_factory.mktemp("raw") / "season")) / plain.name
    for name in ("reference.jpg", "dark.png", "heron-1.png"):
        as_raw(raw / name)
    table = (raw / "night.toml").read_text(encoding="utf-8")
    table = table.replace("reference.jpg", "reference.dng").replace("dark.png", "dark.dng")
    (raw / "night.toml").write_text(table.replace("[camera]", '[camera]\nsource = "raw"'), encoding="utf-8")
    sheet = (raw / "runs.csv").read_text(encoding="utf-8")
    (raw / "runs.csv").write_text(sheet.replace("heron-1.png", "heron-1.dng"), encoding="utf-8")
    return plain, raw


def test_a_night_of_raw_files_gives_the_same_coverage(nights: tuple[Path, Path]):
    percent = []
    for folder in nights:
        night = read_night(folder)
        (run,) = read_runs(night)
        found = measure(run, set_up(night, (run,))).measures
        assert found.coverage
        percent.append(found.coverage.percent)
    assert percent[1].value == pytest.approx(percent[0].value, abs=0.05)
