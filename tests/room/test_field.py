"""Directions from light and from a track on one field of cells."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely

from coverage_lab.job import Bar
from coverage_lab.room.field import TravelField, field_of_track, with_track
from coverage_lab.room.track import Track

BAR = Bar(0.2, 13, 0.195, 0.09, 0.002, 0.0)
FLOOR = shapely.box(0, 0, 2, 1)
EAST = np.column_stack([np.arange(0.2, 1.8, 0.008), np.full(200, 0.5), np.zeros(200)])
NORTH = np.column_stack([np.full(101, 1.0), np.arange(0.1, 0.9001, 0.008), np.full(101, np.pi / 2)])


def light(*drives: np.ndarray) -> TravelField:
    """What a picture tells that has the passes right, and all directions half a right angle wrong."""
    fields = [field_of_track(drive, BAR, FLOOR) for drive in drives]
    level = sum(field.level for field in fields)
    return replace(fields[0], axis=np.full_like(fields[0].axis, 1j), weight=fields[0].floor, level=0.3 * level)


def track(*drives: np.ndarray, followed: bool = True) -> Track:
    ends = np.concatenate([drive[[0, -1]] for drive in drives])
    number = np.repeat(np.arange(len(drives)), 2)
    inside = (number[1:] == number[:-1]) & followed
    return Track(np.arange(len(ends)), ends[:, :2], ends[:, 2], number, inside, 0.01)


def at(field: TravelField, x_m: float, y_m: float) -> complex:
    row, col = np.rint(field.grid.to_cell((x_m, y_m))).astype(int)
    return complex(field.axis[row, col])


def test_where_the_robot_was_followed_its_directions_count():
    field = with_track(light(EAST), track(EAST), BAR)
    assert at(field, 1.4, 0.5) == pytest.approx(1, abs=1e-3)
    assert at(field, 1.4, 0.2) == pytest.approx(1j)  # nobody passed: as it was


def test_where_it_was_not_followed_the_light_stays():
    before = light(EAST)
    assert with_track(before, track(EAST, followed=False), BAR) is before


def test_passes_that_the_track_does_not_account_for_are_left_to_the_light():
    field = with_track(light(EAST, NORTH), track(EAST), BAR)
    assert at(field, 1.5, 0.5) == pytest.approx(1, abs=1e-3)
    crossing = at(field, 1.0, 0.5)
    assert crossing.real == pytest.approx(0.5, abs=0.15)
    assert crossing.imag == pytest.approx(0.5, abs=0.15)
    whole = with_track(light(EAST, NORTH), track(EAST, NORTH), BAR)
    assert abs(at(whole, 1.0, 0.5)) < 0.1  # east and north, equally


def test_light_stands_for_all_floor_where_the_robot_was_not_followed():
    """Light tells directions on a third of the floor: two drives alike, of which one was followed, weigh the same."""
    shown = light(EAST, NORTH)
    shown = replace(shown, weight=shown.weight / 3, missed=np.zeros_like(shown.missed))
    field = with_track(shown, track(EAST), BAR)
    row, east = np.rint(field.grid.to_cell((1.4, 0.5))).astype(int)
    high, north = np.rint(field.grid.to_cell((1.0, 0.75))).astype(int)
    assert field.weight[row, east] == pytest.approx(1, abs=0.05)
    assert field.weight[high, north] == pytest.approx(field.weight[row, east], abs=0.2)
