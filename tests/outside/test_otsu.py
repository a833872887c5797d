"""Otsu's split of a histogram against a worked example and a reference library."""

from __future__ import annotations

import numpy as np
import pytest
from skimage import data, filters

from coverage_lab.trails.level import otsu_split

# A. Greensted, The Lab Book Pages, "Otsu Thresholding" (2010): six grey levels of a 6 x 6 picture. Table from memory;
# it reproduces every printed figure.
WORKED = np.array([8.0, 7, 2, 6, 9, 4])
BETWEEN = [0, 1.5928, 2.5635, 2.6287, 2.1417, 0.8705]


def test_the_worked_examples_threshold():
    """The page calls T = 3 best and counts levels below T as background: 2 is the last of them."""
    assert otsu_split(WORKED) == 2


@pytest.mark.parametrize("threshold", range(1, 6))
def test_the_worked_examples_variances(threshold):
    level, weight = np.arange(6), WORKED / WORKED.sum()
    dark, bright = weight[:threshold].sum(), weight[threshold:].sum()
    means = (level * weight)[:threshold].sum() / dark, (level * weight)[threshold:].sum() / bright
    assert dark * bright * (means[0] - means[1]) ** 2 == pytest.approx(BETWEEN[threshold], abs=5e-5)
    assert BETWEEN[threshold] <= BETWEEN[otsu_split(WORKED) + 1]


@pytest.mark.parametrize(
    "name", ["camera", "coins", "brick", "grass", "gravel", "page", "text", "moon", "clock", "cell"]
)
def test_shipped_pictures_split_as_in_scikit_image(name):
    """Reference: scikit-image's threshold_otsu on the pictures that its package ships."""
    picture = getattr(data, name)()
    counts = np.bincount(picture.ravel(), minlength=256).astype(float)
    assert otsu_split(counts) == filters.threshold_otsu(picture)
