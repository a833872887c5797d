"""Lens calibration on published pictures, against what was published with them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from coverage_lab.season.calibration import calibrate_from

# OpenCV, samples/data: 13 pictures of a board of 9 × 6 inner corners, and left_intrinsics.yml, OpenCV's own calibration
# of them (fx = fy held, 0.39 px left over); a second, independent solver found 536.07 and 536.02
# (from public test data).
FOCAL_PX, CENTRE_PX, LEFT_OVER_PX = 535.916, np.array([342.283, 235.571]), 0.3926


@pytest.fixture(scope="module")
def chessboard() -> list[Path]:
    folder = Path(__file__).parents[3] / "shared" / "public" / "chessboard"
    if not folder.is_dir():
        pytest.skip("the published chessboard pictures are not beside the project")
    return sorted(folder.glob("left*.jpg"))


def test_published_pictures_give_the_published_lens(chessboard: list[Path]):
    found, _, problems = calibrate_from(chessboard, (9, 6))
    assert problems == ()
    assert found.left_out == {}
    assert found.lens.model == "brown"
    # Our corners are found more finely, so less is left over; the published values are as much less sure.
    assert found.rms_px < LEFT_OVER_PX
    theirs = LEFT_OVER_PX / found.rms_px
    for name, value in (("fx", FOCAL_PX), ("fy", FOCAL_PX)):
        ours = found.lens.matrix[0, 0] if name == "fx" else found.lens.matrix[1, 1]
        assert abs(ours - value) < 2 * found.u[name] * np.hypot(1, theirs)
    for axis, name in enumerate(("cx", "cy")):
        assert abs(found.lens.matrix[axis, 2] - CENTRE_PX[axis]) < 2 * found.u[name] * np.hypot(1, theirs)
