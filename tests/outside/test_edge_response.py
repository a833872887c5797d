"""Sharpness against closed forms: ISO 12233 (e-SFR) of an edge that is blurred by a Gaussian."""

import numpy as np
import pytest
from camera.photograph import camera, marker, photograph

from coverage_lab.camera.markers import find_markers
from coverage_lab.camera.sharpness import Sharpness, marker_sharpness


def test_mtf50_of_a_gaussian():
    # exp(-2 (pi sigma f)^2) = 1/2 at f = sqrt(ln 2 / 2) / (pi sigma); at sigma = 1.7 px that is 0.110230.
    assert Sharpness("marker", 1.7).mtf50 == pytest.approx(0.110230, rel=1e-4)


def test_spread_function_of_our_edges_halves_contrast_where_we_say():
    """The e-SFR of a photographed edge, by the standard's steps (differentiate, transform), in code of its own."""
    light = photograph(camera(tilt_deg=0, turn_deg=5), (marker(0, 2, 1.5, side_m=0.6),), blur_px=1.5).astype(float)
    (seen,) = find_markers(light.astype(np.uint16), ["apriltag_36h11"])
    start, end = seen.corners_px[0], seen.corners_px[1]
    along = (end - start) / np.hypot(*(end - start))
    outward = np.array([along[1], -along[0]])
    row, col = np.mgrid[: light.shape[0], : light.shape[1]]
    from_start = np.stack([col, row], axis=-1) - start
    place, outside = from_start @ along, from_start @ outward
    reach = 0.8 * np.hypot(*(end - start)) / 8  # one module of the eight across
    near = (place > 4) & (place < np.hypot(*(end - start)) - 4) & (np.abs(outside) < reach)
    bins = np.arange(-reach, reach, 0.25)
    number = np.digitize(outside[near], bins)
    spread = np.array([light[near][number == k].mean() for k in range(1, len(bins))])
    line = np.diff(spread)
    frequency = np.fft.rfftfreq(4096, 0.25)
    response = np.abs(np.fft.rfft(line, 4096))
    response /= response[0]
    halves_at = frequency[np.argmax(response < 0.5)]
    (ours,) = marker_sharpness(light.astype(np.uint16), [seen])
    assert ours.mtf50 == pytest.approx(halves_at, rel=0.04)
