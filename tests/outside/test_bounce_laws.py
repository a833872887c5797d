"""The bump-and-turn driver against the laws of random search and of random lines."""

import numpy as np
import pytest
import shapely

from coverage_lab.room.bounce import bounce_path

ROOM = shapely.box(0, 0, 5, 4)
WIDTH_M = 0.25


def drive(length_m, seed, area=ROOM):
    """Corners of a drive: poses at its turns only."""
    start = tuple(np.random.default_rng(seed + 1000).uniform(1, 3, 2))
    poses = bounce_path(area, start, length_m, np.random.default_rng(seed), step_m=100.0)
    corner = np.any(np.diff(poses[:, :2], axis=0, prepend=-1) != 0, axis=1)
    return poses[corner, :2]


def covered(corners, width_m, inner, count=2000):
    points = shapely.points(np.random.default_rng(7).uniform([0.2, 0.2], [4.8, 3.8], (count, 2)))
    points = points[shapely.contains(inner, points)]
    path = shapely.linestrings(corners)
    shapely.prepare(path)
    return float(shapely.dwithin(path, points, width_m / 2).mean())


@pytest.mark.parametrize("sweeps", [1.0, 2.0, 3.0])
def test_coverage_follows_the_exponential_law_of_random_search(sweeps):
    """1 − exp(−S), S = length × swath / area: Gage, "Many-robot search models"; Koopman, Oper. Res. 4, 1956.

    The law takes positions as independent; a point robot that bounces by the cosine law stays about 0.01 below
    it (120 simulated drives: 0.401/0.409 at S = 0.525 to 0.944/0.952 at 3.029), hence a tolerance of 0.03.
    """
    inner = ROOM.buffer(-WIDTH_M / 2)
    shares = [covered(drive(sweeps * ROOM.area / WIDTH_M, seed), WIDTH_M, inner) for seed in range(40)]
    assert np.mean(shares) == pytest.approx(1 - np.exp(-sweeps), abs=0.03)


@pytest.mark.parametrize("area", [ROOM, shapely.Point(0, 0).buffer(1, quad_segs=64), shapely.box(0, 0, 6, 1)])
def test_mean_straight_run_is_pi_area_over_perimeter(area):
    """Mean chord of isotropic random lines through a convex area (Cauchy, Crofton; Santaló 1976)."""
    wanted = np.pi * area.area / area.length
    start = (area.centroid.x, area.centroid.y)
    poses = bounce_path(area, start, 4000 * wanted, np.random.default_rng(3), step_m=100.0)
    run = np.hypot(*np.diff(poses[:, :2], axis=0).T)
    run = run[run > 0][1:-1]
    assert run.mean() == pytest.approx(wanted, abs=3.5 * run.std() / np.sqrt(len(run)))


def test_bouncing_takes_several_times_as_long_as_lanes():
    """Common practice, no source: bump-and-turn needs several times the way of lanes for the same coverage.

    Lanes side by side cover the room once in area / width; bouncing needs −ln(1 − p)/p times that on average.
    """
    inner = ROOM.buffer(-WIDTH_M / 2)
    once_m = ROOM.area / WIDTH_M
    shares = {n: np.mean([covered(drive(n * once_m, s), WIDTH_M, inner) for s in range(10)]) for n in (1, 2.5, 6)}
    assert shares[1] < 0.70  # where lanes are done
    assert shares[2.5] < 0.95 < shares[6]
