import numpy as np
import pytest
from camera.photograph import camera, marker, photograph

from coverage_lab.camera.markers import find_markers
from coverage_lab.camera.sharpness import Sharpness, marker_sharpness, usual_blur_px

PIXEL = 1 / 12  # variance of the square over which a pixel gathers light
LARGE = (marker(0, 1.2, 1.0, turn_deg=20, side_m=0.3), marker(1, 2.8, 2.1, turn_deg=-35, side_m=0.3))


def measured(blur_px: float, **camera_as) -> tuple[Sharpness, ...]:
    light = photograph(camera(**camera_as), LARGE, blur_px=blur_px)
    return marker_sharpness(light, find_markers(light, ["apriltag_36h11"]))


@pytest.mark.parametrize("blur_px", [0.6, 1.0, 1.6])
def test_blur_of_a_photograph_is_found(blur_px: float):
    found = measured(blur_px)
    assert len(found) == 2
    true_px = np.hypot(blur_px, np.sqrt(PIXEL))
    assert [one.blur_px for one in found] == pytest.approx([true_px] * 2, rel=0.06)


def test_edges_along_the_pixels_are_measured_too():
    light = photograph(
        camera(tilt_deg=0, turn_deg=0, distortion=(0, 0, 0, 0, 0)), (marker(0, 2, 1.5, side_m=0.3),), blur_px=1.2
    )
    (one,) = marker_sharpness(light, find_markers(light, ["apriltag_36h11"]))
    assert one.blur_px == pytest.approx(np.hypot(1.2, np.sqrt(PIXEL)), rel=0.06)


def test_marker_too_small_to_tell_is_left_out():
    sharp = camera(size=(400, 311))  # modules of hardly two pixels
    light = photograph(sharp, (marker(0, 2, 1.5),), blur_px=0.5)
    found = find_markers(light, ["apriltag_36h11"])
    assert marker_sharpness(light, found) == ()


def test_usual_blur_is_the_median_and_unknown_without_markers():
    assert usual_blur_px([Sharpness("a", 1.0), Sharpness("b", 9.0), Sharpness("c", 1.2)]) == 1.2
    assert usual_blur_px([]) is None
