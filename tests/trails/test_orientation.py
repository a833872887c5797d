"""Directions of travel come out of the light alone: whichever way, however bright, one way or two."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coverage_lab.room.grid import FloorGrid
from coverage_lab.trails.orientation import travel_field
from tests.scenes import BAR, TUBE

GRID = FloorGrid(0.0, 0.8, 400, 400, 0.002)
ALL = np.ones(GRID.shape, np.float32)


def tracks(angle_deg, pitch_m=BAR.pitch_m, grid=GRID):
    """Light of an endless comb of tracks that run at `angle_deg` from east."""
    cell = np.stack(np.meshgrid(np.arange(grid.rows), np.arange(grid.cols), indexing="ij"), axis=-1)
    x, y = np.moveaxis(grid.to_floor(cell), -1, 0)
    across = -x * np.sin(np.deg2rad(angle_deg)) + y * np.cos(np.deg2rad(angle_deg))
    return (0.25 * (1 + np.cos(2 * np.pi * across / pitch_m))).astype(np.float32)


def inner(plane):
    return plane[3:-3, 3:-3]


@given(angle_deg=st.floats(0, 180))
@settings(max_examples=25, deadline=None)
def test_finds_the_direction_of_tracks(angle_deg):
    field = travel_field(tracks(angle_deg), ALL, ALL, GRID, BAR)
    wanted = np.exp(2j * np.deg2rad(angle_deg))
    off_deg = np.degrees(np.angle(inner(field.axis) / wanted)) / 2
    assert np.abs(off_deg).max() < 2
    assert np.abs(inner(field.axis)).min() > 0.9
    assert np.abs(np.degrees(np.angle(inner(field.fourfold) / wanted**2)) / 4).max() < 2
    assert inner(field.weight).min() > 0.9


@pytest.mark.parametrize("angle_deg", [0, 20, 45, 77])
def test_two_ways_at_right_angles_cancel_in_the_axis_and_not_in_the_fourfold(angle_deg):
    light = tracks(angle_deg) + tracks(angle_deg + 90)
    field = travel_field(light, ALL, ALL, GRID, BAR)
    assert abs(inner(field.axis).mean()) < 0.05
    assert abs(inner(field.fourfold).mean()) > 0.9


@pytest.mark.parametrize("gain", [0.01, 0.5, 2.0, 100.0])
def test_exposure_changes_nothing(gain):
    light = tracks(33) * np.linspace(0.2, 1, GRID.cols, dtype=np.float32)
    field, other = (travel_field(light * g, ALL, ALL, GRID, BAR) for g in (1.0, gain))
    np.testing.assert_allclose(other.axis, field.axis, atol=1e-4)
    np.testing.assert_allclose(other.weight, field.weight, atol=1e-4)
    np.testing.assert_allclose(other.level, field.level * gain, rtol=1e-4)


def test_mirrored_light_gives_mirrored_directions():
    light = tracks(25) * np.linspace(0.2, 1, GRID.cols, dtype=np.float32)
    field = travel_field(light, ALL, ALL, GRID, BAR)
    mirrored = travel_field(np.ascontiguousarray(light[:, ::-1]), ALL, ALL, GRID, BAR)
    np.testing.assert_allclose(mirrored.axis[:, ::-1], field.axis.conj(), atol=1e-3)


def test_clipped_floor_has_no_say_and_is_marked():
    light = tracks(10)
    light[:, 200:] = 1.0
    field = travel_field(light, ALL, ALL, GRID, BAR)
    assert field.weight[:, 30:].max() < 0.01 and field.burnt[:, 26:].min() == 1
    assert field.weight[:, 3:20].min() > 0.9 and field.burnt[:, :24].max() == 0


def test_missed_floor_has_no_direction():
    swept = ALL.copy()
    swept[200:] = 0
    field = travel_field(tracks(10), swept, ALL, GRID, BAR)
    assert field.weight[26:].max() == 0 and field.missed[26:].min() == 1 and field.missed[:24].max() == 0


def test_a_strip_of_even_light_has_its_direction_at_its_edges_only():
    light = np.full(GRID.shape, 1e-3, np.float32)
    light[150:260] = 0.4
    field = travel_field(light, (light > 0.1).astype(np.float32), ALL, GRID, TUBE)
    edge, middle = field.weight[18:20, 4:-4], field.weight[25, 4:-4]
    assert edge.max() > 0.3 and middle.max() < 0.01
    assert field.axis[19, 4:-4].real.min() > 0.95


def test_a_coarser_grid_sees_the_same():
    coarse = FloorGrid(0.0, 0.8, 200, 200, 0.004)
    field = travel_field(tracks(33), ALL, ALL, GRID, BAR)
    other = travel_field(tracks(33, grid=coarse), ALL[::2, ::2], ALL[::2, ::2], coarse, BAR)
    assert other.grid == field.grid
    np.testing.assert_allclose(np.angle(inner(other.axis)), np.angle(inner(field.axis)), atol=0.05)
