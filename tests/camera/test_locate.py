from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from camera.photograph import HEIGHT_M, around, camera, photograph

from coverage_lab.camera.locate import locate_camera
from coverage_lab.errors import Refused
from coverage_lab.job import CameraSetup

REFERENCE = Path("night/reference.jpg")
SETUP = CameraSetup(height_m=HEIGHT_M, height_tolerance_m=0.01)


@pytest.fixture(scope="module")
def light():
    return photograph(camera(), around(4))


def test_a_photograph_gives_the_camera(light):
    truth = camera()
    fitted = locate_camera(REFERENCE, light, around(4), SETUP, lens=truth.lens)
    assert fitted.quality == ()
    assert np.allclose(fitted.fit.camera.centre_m, truth.centre_m, atol=0.003)
    assert fitted.fit.rms_px < 0.15


def test_a_refusal_names_the_file_and_the_dictionary_that_is_seen(light):
    markers = [replace(m, dictionary="apriltag_25h9") for m in around(4)]
    with pytest.raises(Refused, match=r"^night/reference.jpg: .*shows markers of apriltag_36h11.*room file") as refusal:
        locate_camera(REFERENCE, light, markers, SETUP)
    assert refusal.value.code == "marker-missing"


def test_a_bare_floor_names_no_other_dictionary():
    with pytest.raises(Refused, match="0 of 4 markers") as refusal:
        locate_camera(REFERENCE, photograph(camera(), ()), around(4), SETUP)
    assert "shows markers of" not in str(refusal.value)
