import cv2
import numpy as np
import pytest
from camera.photograph import around, camera, marker, photograph

from coverage_lab.camera.markers import find_markers, known_dictionaries
from coverage_lab.errors import BadInput

FAMILY = "apriltag_36h11"


@pytest.fixture(scope="module")
def picture():
    view, markers = camera(), around(4)
    return view, markers, photograph(view, markers)


def errors_px(view, markers, found):
    return np.array([f.corners_px - view.project(m.corners_m) for f, m in zip(found, markers, strict=True)])


def test_corners_lie_within_a_twentieth_of_a_pixel_and_in_the_room_files_order(picture):
    view, markers, light = picture
    found = find_markers(light, [FAMILY])
    assert [f.id for f in found] == [0, 1, 2, 3]
    off = errors_px(view, markers, found)
    assert np.sqrt((off**2).mean()) < 0.05
    assert abs(off).max() < 0.15


def test_refined_corners_are_ten_times_better_than_the_detectors(picture):
    view, markers, light = picture
    codes = np.rint(np.sqrt(light / 48000) * 255).clip(0, 255).astype(np.uint8)
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36H11))
    corners, ids, _ = detector.detectMarkers(codes)
    rough = np.array(
        [corners[int(np.flatnonzero(ids.ravel() == m.id)[0])][0] - view.project(m.corners_m) for m in markers]
    )
    fine = errors_px(view, markers, find_markers(light, [FAMILY]))
    assert (fine**2).mean() < 0.01 * (rough**2).mean()


@pytest.mark.parametrize("factor", [0.02, 1.3])
def test_exposure_does_not_move_corners(picture, factor):
    _, _, light = picture
    scaled = np.rint(light * factor).astype(np.uint16)
    here, there = (find_markers(image, [FAMILY]) for image in (light, scaled))
    assert [f.id for f in here] == [f.id for f in there]
    assert np.allclose([f.corners_px for f in here], [f.corners_px for f in there], atol=0.03)


def test_a_large_picture_is_searched_reduced_and_measured_in_full(picture):
    view, markers, light = picture
    found = find_markers(cv2.resize(light, None, fx=5, fy=5, interpolation=cv2.INTER_CUBIC), [FAMILY])
    enlarged = np.array([(f.corners_px + 0.5) / 5 - 0.5 for f in found])
    assert abs(enlarged - [view.project(m.corners_m) for m in markers]).max() < 0.2


def test_a_marker_with_a_hidden_edge_is_left_out(picture):
    view, markers, light = picture
    covered = light.copy()
    column, row = np.rint(view.project(markers[2].corners_m)[:2].mean(axis=0)).astype(int)
    cv2.line(covered, (column - 10, row), (column + 10, row), 22000, 7)
    assert 2 not in [f.id for f in find_markers(covered, [FAMILY])]


def test_other_dictionaries_are_found_by_name():
    view = camera()
    markers = (
        marker(7, 1.0, 1.0, 30, dictionary="aruco_4x4_50"),
        marker(3, 2.5, 2.0, 200, dictionary="aruco_6x6_250"),
    )
    found = find_markers(photograph(view, markers), ["aruco_4x4_50", "aruco_6x6_250"])
    # A small dictionary may also read something into a marker of another one.
    found = [f for f in found if (f.dictionary, f.id) in {(m.dictionary, m.id) for m in markers}]
    assert abs(errors_px(view, markers, found)).max() < 0.15


def test_nothing_is_found_on_bare_or_black_floor():
    assert find_markers(np.zeros((300, 400), np.uint16), [FAMILY]) == ()
    assert find_markers(photograph(camera(size=(400, 300)), ()), [FAMILY]) == ()


def test_an_unknown_dictionary_is_refused_with_the_known_ones_named():
    assert {"apriltag_36h11", "aruco_4x4_50", "aruco_original", "aruco_mip_36h12"} <= set(known_dictionaries())
    with pytest.raises(BadInput, match=r"'aruco_3x3' is unknown.*aruco_4x4_50"):
        find_markers(np.zeros((300, 400), np.uint16), ["aruco_3x3"])
