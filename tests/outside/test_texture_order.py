"""The orientation code against exact gratings, scikit-image's structure tensor, and real textures."""

import numpy as np
import pytest
from skimage import data
from skimage.feature import structure_tensor
from skimage.filters import gaussian

from coverage_lab.room.grid import FloorGrid
from coverage_lab.trails.orientation import travel_field
from tests.scenes import TUBE


def field_of(picture):
    grid = FloorGrid(0.0, picture.shape[0] * 0.004, *picture.shape, 0.004)
    everywhere = np.ones(picture.shape, np.float32)
    return travel_field(picture.astype(np.float32), everywhere, everywhere, grid, TUBE)


def axis_order(picture) -> float:
    field = field_of(picture)
    inner = np.s_[3:-3, 3:-3]
    return float(abs(np.average(field.axis[inner], weights=field.weight[inner])))


def grating(*waves, side=256):
    row, col = np.mgrid[:side, :side] / side
    return sum(a * np.cos(2 * np.pi * (kx * col - ky * row)) for a, kx, ky in waves)


@pytest.mark.parametrize(
    ("waves", "coherence"),
    [
        ([(1, 20, 0)], 1.0),
        ([(1, 15, 20)], 1.0),
        ([(1, 20, 0), (1, 0, 20)], 0.0),
        ([(1, 20, 0), (0.5, 0, 20)], 0.6),
        ([(1, 15, 20), (0.5, 20, -15)], 0.6),
    ],
)
def test_exact_coherence_of_gratings(waves, coherence):
    """|Σ a² k² e^2iφ| / Σ a² k² for waves of one length (Bigün & Granlund, ICCV 1987; exact by Parseval)."""
    field = field_of(1 + 0.3 * grating(*waves))
    inner = np.s_[3:-3, 3:-3]
    assert abs(field.axis[inner].mean()) == pytest.approx(coherence, abs=0.02)


@pytest.mark.parametrize("waves", [[(1, 15, 20)], [(1, 18, -5)], [(1, 20, 0), (0.5, 12, 16)]])
def test_same_direction_as_the_structure_tensor_of_scikit_image(waves):
    picture = 1 + 0.3 * grating(*waves)
    rr, rc, cc = structure_tensor(picture, sigma=12, order="rc")
    gradient = (cc - rr) - 2j * rc  # doubled angle of the gradient, counter-clockwise from east
    middle = np.s_[64:192, 64:192]
    across = np.angle(gradient[middle].mean()) / 2
    ours = np.angle(field_of(picture).axis[16:48, 16:48].mean()) / 2
    off = (ours - across - np.pi / 2 + np.pi / 2) % np.pi - np.pi / 2
    assert abs(np.degrees(off)) < 2


def test_bricks_are_more_regular_than_grass_and_gravel():
    """Coherence of the textures that scikit-image ships (CC0): 0.611 for brick, 0.029 grass, 0.053 gravel."""
    pictures = {name: getattr(data, name)() / 255 for name in ("brick", "grass", "gravel")}
    tensor = {}
    for name, picture in pictures.items():
        down, right = np.gradient(gaussian(picture, 1))
        tensor[name] = abs(np.sum((right + 1j * down) ** 2)) / np.sum(right**2 + down**2)
    assert tensor["brick"] == pytest.approx(0.6107, rel=0.05)
    assert tensor["brick"] > 8 * max(tensor["grass"], tensor["gravel"])
    ours = {name: axis_order(picture) for name, picture in pictures.items()}
    assert ours["brick"] > 4 * max(ours["grass"], ours["gravel"]), ours
