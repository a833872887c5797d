"""Hair before and after a pass, on floors and with residuals that are known."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from pickup.hair_scenes import SIZE, Scene, floor, scene

from coverage_lab.camera.markers import marker_dictionary
from coverage_lab.errors import Refused
from coverage_lab.frames.light import srgb_to_light
from coverage_lab.pickup.hair import Hair, measure_hair
from coverage_lab.pickup.register import laid, register

HOLES = np.stack(np.meshgrid(np.linspace(80, SIZE - 80, 8), np.linspace(80, SIZE - 80, 8)), -1).reshape(-1, 1, 2)


def light(picture: NDArray[np.uint8]) -> NDArray[np.uint16]:
    return np.asarray(cv2.LUT(cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY), srgb_to_light()), np.uint16)


def off_px(matrix: NDArray[np.float64], truth: NDArray[np.float64]) -> float:
    """By how much a mapping is off at most, over the bed."""
    apart = cv2.perspectiveTransform(HOLES, matrix) - cv2.perspectiveTransform(HOLES, truth)
    return float(np.linalg.norm(apart[:, 0], axis=1).max())


def residual(made: Scene) -> tuple[Hair, float]:
    """What is measured with the true mapping, and the truth on the floor that both pictures show."""
    moved, inside = laid(light(made.after), made.to_before, made.before.shape)
    found = measure_hair(light(made.before), moved, inside)
    return found, 100 * float((made.hair_after & inside).sum() / (made.hair_before & inside).sum())


@pytest.mark.parametrize(("kind", "rotation_deg", "scale"), [("hardwood", 5, 1.1), ("brick", -5, 0.9)])
def test_pictures_are_laid_within_two_pixels(kind: str, rotation_deg: float, scale: float):
    made = scene(kind, rotation_deg=rotation_deg, scale=scale, uneven=0.5)
    found = register(light(made.before), light(made.after))
    assert found.basis == "features"
    assert off_px(found.matrix, made.to_before) < 1


@pytest.mark.parametrize(
    ("kind", "stays", "within"),
    [
        ("hardwood", 0.4, 3),
        ("low pile", 0.4, 6),
        ("high pile", 0.6, 6),
        ("grass", 0.4, 6),
        ("gravel", 0.1, 6),
    ],
)
def test_the_residual_is_known(kind: str, stays: float, within: float):
    found, truth = residual(scene(kind, stays=stays, seed=2, uneven=0.5))
    assert found.residual_percent.value == pytest.approx(truth, abs=within)
    low, high = found.residual_percent.interval_95
    assert low < truth < high
    assert sum(found.clumps_after) < sum(found.clumps_before)


def test_white_hair_is_hair_too():
    found, truth = residual(scene("low pile", stays=0.4, seed=2, hair=(0.8, 0.79, 0.76)))
    assert found.residual_percent.value == pytest.approx(truth, abs=6)


def test_what_stayed_is_where_it_is_drawn():
    made = scene("hardwood", stays=0.4, seed=2)
    found, _ = residual(made)
    stays = cv2.dilate(made.hair_after.view(np.uint8), np.ones((5, 5), np.uint8)).astype(bool)
    assert (found.found_after & ~stays).sum() < 0.02 * found.found_after.sum()
    assert (found.found_after & made.hair_after).sum() > 0.9 * made.hair_after.sum()


def test_clumps_are_counted_within_one():
    made = scene("low pile", stays=0.5, seed=3, clumps=4)  # of four tangles, one stays; loose hair lies between
    found, _ = residual(made)
    assert abs(len(found.clumps_before) - made.clumps_before) <= 1
    assert abs(len(found.clumps_after) - made.clumps_after) <= 1
    assert found.clumps_before[0] == max(found.clumps_before) < 10


def test_the_same_bed_twice_tells_nothing():
    made = scene("low pile", stays=1.0, seed=2, rotation_deg=0, scale=1)
    with pytest.raises(Refused, match="hardly any hair went away"):
        measure_hair(light(made.before), light(made.before), np.ones((SIZE, SIZE), bool))


def test_two_different_floors_are_not_laid_on_each_other():
    one, other = scene("grass", seed=1), scene("gravel", seed=2)
    with pytest.raises(Refused, match="cannot be laid on each other"):
        register(light(one.before), light(other.after))


def test_bare_floor_has_nothing_to_measure():
    ground = floor("low pile", np.random.default_rng(1))
    picture = light(np.rint(255 * ground.clip(0, 1) ** (1 / 2.4)).astype(np.uint8))
    with pytest.raises(Refused, match="hardly any hair went away"):
        measure_hair(picture, picture, np.ones((SIZE, SIZE), bool))


def test_markers_lay_pictures_of_a_floor_without_any_texture():
    sheet = np.full((SIZE, SIZE), 30000, np.uint16)
    for number, (row, col) in enumerate([(40, 40), (40, 560), (560, 40), (560, 560)]):
        code = marker_dictionary("apriltag_36h11").generateImageMarker(number, 100)
        sheet[row - 15 : row + 115, col - 15 : col + 115] = 50000
        sheet[row : row + 100, col : col + 100] = code.astype(np.uint16) * 196
    away = cv2.getRotationMatrix2D((SIZE / 2, SIZE / 2), 4, 0.93)
    turned = cv2.warpAffine(sheet, away, (SIZE, SIZE), flags=cv2.INTER_AREA, borderValue=30000)
    found = register(cv2.GaussianBlur(sheet, (0, 0), 0.8), cv2.GaussianBlur(turned, (0, 0), 0.8))
    assert found.basis == "markers"
    assert off_px(found.matrix, np.linalg.inv(np.vstack([away, [0, 0, 1]]))) < 1
