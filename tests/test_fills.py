"""Floor between two frames' strips that is only taken to have been passed in a turn."""

from __future__ import annotations

import numpy as np

from coverage_lab.series import Exposure, with_fills
from coverage_lab.trails.series import Series

DOUBTFUL = np.array([[0, 1, 0]], np.float32)


def exposure(series: Series | None) -> Exposure:
    return Exposure(np.zeros_like(DOUBTFUL), 1.0, {}, series=series)


def test_floor_that_was_filled_in_between_frames_is_in_doubt():
    none = np.zeros(DOUBTFUL.shape, np.uint16)
    filled = np.array([[0, 0, 13]], np.uint16)
    series = Series(DOUBTFUL, 1.0, none, none.astype(np.uint8), (), 0.0, 0.0, (), filled, (), ())
    np.testing.assert_array_equal(with_fills(DOUBTFUL, exposure(series)), [[0, 1, 1]])


def test_one_exposure_has_no_floor_between_frames():
    np.testing.assert_array_equal(with_fills(DOUBTFUL, exposure(None)), DOUBTFUL)
