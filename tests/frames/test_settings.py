from pathlib import Path

import numpy as np
import pytest

from coverage_lab.frames.exif import Exif
from coverage_lab.frames.read import Frame
from coverage_lab.frames.settings import other_settings


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
