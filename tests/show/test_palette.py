from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest

from coverage_lab.show.palette import (
    DECOY,
    FRINGE,
    HIDDEN,
    MISSED,
    OBSTACLE,
    SWEPT,
    TILE_PX,
    UNKNOWN,
    tint,
)

FLOOR = [SWEPT, MISSED, FRINGE, HIDDEN, UNKNOWN, OBSTACLE, DECOY]
PAIRS = list(combinations(FLOOR, 2))
# Machado, Oliveira and Fernandes, IEEE TVCG 15 (2009), table 1, severity 1.0 (from memory); on linear RGB.
SIGHT = {
    "protanopia": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
    "deuteranopia": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.01182, 0.04294, 0.968881]],
    "grey": [[0.2126, 0.7152, 0.0722]] * 3,
}


def seen(finish, sight, tone=60):
    """One patch of a finish, 0-255, as this eye sees it."""
    patch = tint(finish, np.full((4 * TILE_PX, 4 * TILE_PX), tone, np.uint8)) / 255
    linear = np.where(patch <= 0.04045, patch / 12.92, ((patch + 0.055) / 1.055) ** 2.4)
    mixed = np.clip(linear @ np.array(SIGHT[sight]).T, 0, 1)
    return 255 * np.where(mixed <= 0.0031308, mixed * 12.92, 1.055 * mixed ** (1 / 2.4) - 0.055)


@pytest.mark.parametrize("sight", SIGHT)
@pytest.mark.parametrize(("one", "other"), PAIRS, ids=lambda finish: finish.label)
def test_no_two_kinds_of_floor_look_alike_to_any_eye(one, other, sight):
    """Far apart in mean colour, or, where that is near, in the figure that the hatch draws."""
    a, b = seen(one, sight), seen(other, sight)
    apart = np.linalg.norm(a.mean((0, 1)) - b.mean((0, 1)))
    figure = np.abs((a - a.mean((0, 1))) - (b - b.mean((0, 1)))).mean()
    assert apart > 40 or (one.hatch != other.hatch and figure > 8)


def test_swept_and_missed_differ_in_lightness_and_in_hatch():
    swept, missed = seen(SWEPT, "grey"), seen(MISSED, "grey")
    assert missed.mean() - swept.mean() > 40
    assert swept.std() < 1 < 10 < missed.std()


@pytest.mark.parametrize("finish", FLOOR, ids=lambda finish: finish.label)
def test_a_hatch_repeats_without_a_seam(finish):
    patch = tint(finish, np.full((3 * TILE_PX, 3 * TILE_PX), 90, np.uint8))
    assert np.array_equal(patch[:TILE_PX], patch[TILE_PX : 2 * TILE_PX])
    assert np.array_equal(patch[:, :TILE_PX], patch[:, TILE_PX : 2 * TILE_PX])


@pytest.mark.parametrize("finish", [*FLOOR], ids=lambda finish: finish.label)
def test_more_light_is_never_drawn_darker(finish):
    tone = np.arange(256, dtype=np.uint8).repeat(TILE_PX).reshape(256, 1, TILE_PX)
    rows = [tint(finish, np.ascontiguousarray(row)).astype(int) for row in tone]
    assert np.all(np.diff(np.stack(rows), axis=0) >= 0)
