"""Areas against published formulas and against shapely; each check names its source."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
import shapely
from shapely import LineString, Point, Polygon, box

from coverage_lab.measures.coverage import covered_percent, total
from coverage_lab.measures.uncertainty import combined, coverage_factor_95
from coverage_lab.room.grid import FloorGrid

RADIUS_M = 0.17


def rastered_m2(area, cell_m=0.01) -> float:
    grid = FloorGrid.over(area, cell_m)
    return total(grid.weights(area)) * grid.cell_m2


def test_areas_of_rastered_polygons_equal_shapely():
    rng = np.random.default_rng(7)
    for _ in range(20):
        area = Polygon(rng.uniform(0, 2, (7, 2))).buffer(0.01)
        assert rastered_m2(area, 0.013) == pytest.approx(area.area, rel=1e-6)


@pytest.mark.parametrize(
    ("shape", "area_m2"),
    [
        (box(0, 0, 5, 4), 23.150792),
        (Polygon([(0, 0), (3, 0), (0, 4)]), 8.130793),
        (Polygon([(np.cos(t), np.sin(t)) for t in np.arange(5) * 2 * np.pi / 5]), 3.467668),
    ],
)
def test_minkowski_sum_with_a_disc(shape: Polygon, area_m2: float):
    # Steiner's formula: A + P r + pi r^2 for convex shapes (Schneider & Weil, Stochastic and Integral Geometry,
    # 2008, section 14.2; from memory).
    formula = shape.area + shape.length * RADIUS_M + np.pi * RADIUS_M**2
    assert formula == pytest.approx(area_m2, rel=1e-6)
    assert rastered_m2(shape.buffer(RADIUS_M, quad_segs=256)) == pytest.approx(area_m2, rel=1e-5)


@pytest.mark.parametrize(("turn_deg", "area_m2"), [(30, 1.790614), (60, 1.789239), (90, 1.784590), (120, 1.771000)])
def test_a_bent_pass(turn_deg: float, area_m2: float):
    # A = 2 r L + pi r^2 - r^2 (tan(t/2) - t/2) for two legs with round ends: the overlap inside the bend counts
    # once. Elementary geometry; legs of 3 m and 2 m.
    turn = np.deg2rad(turn_deg)
    formula = 2 * RADIUS_M * 5 + np.pi * RADIUS_M**2 - RADIUS_M**2 * (np.tan(turn / 2) - turn / 2)
    assert formula == pytest.approx(area_m2, abs=1e-6)
    path = LineString([(0, 0), (3, 0), (3 + 2 * np.cos(turn), 2 * np.sin(turn))])
    assert rastered_m2(path.buffer(RADIUS_M, quad_segs=256)) == pytest.approx(area_m2, rel=1e-5)


def test_a_straight_and_a_round_pass():
    # 2 r L + pi r^2 for a straight pass with round ends; Pappus: 4 pi R r for a closed circle of radius R.
    assert rastered_m2(LineString([(0, 0), (3, 0)]).buffer(RADIUS_M, quad_segs=256)) == pytest.approx(
        1.110792, rel=1e-5
    )
    ring = Point(0, 0).buffer(1 + RADIUS_M, quad_segs=512) - Point(0, 0).buffer(1 - RADIUS_M, quad_segs=512)
    assert rastered_m2(ring) == pytest.approx(2.136283, rel=1e-5)


def test_parallel_passes():
    # Strips of 0.22 m every 0.25 m in a room of 4 m x 5 m, a multiple of the spacing: w / s = 0.88 exactly.
    grid = FloorGrid.over(box(0, 0, 4, 5), 0.007)
    strips = shapely.union_all([box(x, -1, x + 0.22, 6) for x in np.arange(16) * 0.25])
    assert covered_percent(grid.weights(strips), grid.weights(box(0, 0, 4, 5))) == pytest.approx(88, abs=0.01)


def test_many_overlapping_stamps():
    # Boolean model on a torus: n discs of radius r in the unit square cover 1 - (1 - pi r^2)^n on average
    # (Chiu, Stoyan, Kendall & Mecke, Stochastic Geometry, 2013, chapter 3; from memory). n = 600, r = 0.02.
    rng = np.random.default_rng(11)
    square = box(0, 0, 1, 1)
    grid = FloorGrid(0, 1, 200, 200, 0.005)
    around = [(dx, dy) for dx in (-1, 0, 1) for dy in (-1, 0, 1)]
    percents = []
    for _ in range(12):
        centres = (rng.random((600, 1, 2)) + around).reshape(-1, 2)
        near = (np.abs(centres - 0.5) < 0.53).all(axis=1)
        discs = shapely.union_all(shapely.buffer(shapely.points(centres[near]), 0.02, quad_segs=16))
        percents.append(covered_percent(grid.weights(discs), grid.weights(square)))
    error = np.std(percents, ddof=1) / np.sqrt(len(percents))
    assert np.mean(percents) == pytest.approx(52.9734, abs=4 * error)
    assert error < 0.6


@pytest.mark.parametrize(
    ("radius", "count"), [(0, 1), (1, 5), (2, 13), (3, 29), (4, 49), (5, 81), (10, 317), (20, 1257), (50, 7845)]
)
def test_cells_whose_centre_lies_in_a_circle(radius: int, count: int):
    # Gauss circle counts, OEIS A000328. The grid's cells are 1 m, centred on whole numbers.
    grid = FloorGrid(-radius - 1.5, radius + 1.5, 2 * radius + 3, 2 * radius + 3, 1.0)
    rows, cols = np.indices(grid.shape)
    centres = grid.to_floor(np.stack([rows, cols], axis=-1))
    assert np.count_nonzero((centres**2).sum(axis=-1) <= radius**2 + 1e-9) == count


def test_largest_inscribed_circles():
    # A right triangle 3-4-5 has incircle radius (3 + 4 - 5) / 2 = 1 (Euclid IV.4). A field of 299 x 399 ones within
    # zeros is 150 deep: the convention of the distance transform that pockets are looked for with.
    circle = shapely.maximum_inscribed_circle(Polygon([(0, 0), (3, 0), (0, 4)]), tolerance=1e-6)
    assert circle.length == pytest.approx(1, abs=1e-5)
    assert circle.coords[0] == pytest.approx((1, 1), abs=1e-5)
    field = np.pad(np.ones((299, 399), np.uint8), 1)
    assert cv2.distanceTransform(field, cv2.DIST_L2, cv2.DIST_MASK_PRECISE).max() == pytest.approx(150)


def test_standard_uncertainty_of_a_gauge_block():
    # JCGM 100:2008, H.1 (end-gauge calibration): contributions 25, 9.7, 2.9 and 16.6 nm give 32 nm.
    assert combined([25, 9.7, 2.9, 16.6]) == pytest.approx(32, abs=0.5)


@pytest.mark.parametrize(("dof", "factor"), [(1, 12.706), (3, 3.182), (9, 2.262), (14, 2.145), (100, 1.984)])
def test_student_factors(dof: int, factor: float):
    # NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.2, upper 0.025.
    assert coverage_factor_95(dof) == pytest.approx(factor, abs=5e-4)
