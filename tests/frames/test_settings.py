from pathlib import Path

import numpy as np
import pytest

from coverage_lab.frames.exif import Exif
from coverage_lab.frames.read import Frame
from coverage_lab.frames.settings import brighter, other_settings


def frame(name, exposure_s=30.0, iso=200.0):
    exif = Exif(exposure_s, None, None, None, iso=iso)
    return Frame(Path(name), np.zeros((2, 2), np.uint16), 65535, "", exif)


def test_a_dark_frame_of_other_settings_is_told_with_both():
    (remark,) = other_settings(frame("run.jpg"), frame("dark.jpg", 15.0, 800.0))
    assert remark.code == "dark-mismatch"
    assert "exposure 15 s instead of 30 s, ISO 800 instead of 200" in remark.text


@pytest.mark.parametrize("dark", [None, frame("dark.jpg"), frame("dark.jpg", 32.0), frame("dark.jpg", None, None)])
def test_the_same_settings_or_none_known_say_nothing(dark):
    assert list(other_settings(frame("run.jpg"), dark)) == []


def lit(name, light):
    return Frame(Path(name), light, 65535, "", None)


@pytest.mark.parametrize(
    ("share", "trail", "level"),
    [
        (0.0, 20_000, None),
        (0.01, 20_000, None),
        (0.1, 20_000, "warning"),
        (0.45, 20_000, "warning"),
        (0.6, 20_000, "refused"),
        (0.1, 2_000, "refused"),  # what is taken off too much would be missed there
    ],
)
def test_an_ambient_frame_that_is_brighter_than_the_exposure_is_told_by_its_light(share, trail, level):
    rng = np.random.default_rng(3)
    room = rng.normal(900, 150, (640, 960)).clip(0)  # what leaks in, with noise
    exposure = room + rng.normal(0, 150, room.shape)
    exposure[:, : round(960 * (1 - share))] += trail
    other = room + rng.normal(0, 150, room.shape)
    ambient = np.where(share > 0, 1.4 * other, other)
    found = list(brighter(lit("run.jpg", exposure.clip(0).astype(np.uint16)), lit("a.jpg", ambient.astype(np.uint16))))
    assert [remark.level for remark in found] == ([] if level is None else [level])
    assert all("a.jpg is brighter than run.jpg" in remark.text for remark in found)


def test_an_ambient_frame_like_the_exposure_or_none_says_nothing():
    rng = np.random.default_rng(3)
    one, other = (rng.normal(400, 200, (640, 960)).clip(0).astype(np.uint16) for _ in range(2))
    assert list(brighter(lit("run.jpg", one), lit("ambient.jpg", other))) == []
    assert list(brighter(lit("run.jpg", one), None)) == []
