import numpy as np
import shapely

from coverage_lab.room.grid import FloorGrid
from coverage_lab.room.plan import floor_plan
from coverage_lab.room.room import Obstacle, Room
from coverage_lab.show.palette import PAPER
from coverage_lab.show.plate import draw_plate

CHEST = shapely.box(0.2, 1.5, 0.8, 1.9)


def plate():
    room = Room(shapely.box(0, 0, 3, 2), obstacles=(Obstacle("chest", CHEST, 0.4),))
    grid = FloorGrid.over(room.floor, 0.01, 0.05)
    plan = floor_plan(
        room,
        body_diameter_m=0.3,
        body_height_m=0.1,
        nozzle_m=0.2,
        forward_m=0.0,
        bar_height_m=0.1,
        camera_centre_m=(1.5, 1.0, 2.7),
        seen=None,
        grid=grid,
    )
    light = np.full(grid.shape, 0.001, np.float32)
    light[grid.weights(shapely.box(0.3, 0.4, 2.7, 0.6)) > 0.5] = 0.3  # one pass
    light[grid.weights(CHEST) > 0.5] = 0.5  # stray light on the chest's top
    light[:4] = 0.9  # and beyond the wall
    return draw_plate(light, plan), grid


def at(picture, grid, x_m, y_m):
    edge = round(0.035 * max(2400, 1))
    row, col = grid.to_cell((x_m, y_m))
    scale = (picture.shape[1] - 2 * edge) / grid.cols
    return picture[round(edge + (row + 0.5) * scale), round(edge + (col + 0.5) * scale)].astype(int)


def test_the_pass_is_bright_on_dark_floor_and_stray_light_is_left_out():
    picture, grid = plate()
    assert at(picture, grid, 1.5, 0.5).mean() > 170
    assert at(picture, grid, 1.5, 1.2).mean() < 40
    assert 50 < at(picture, grid, 0.5, 1.7).mean() < 90
    assert tuple(at(picture, grid, 1.5, 2.03)) == PAPER
    assert tuple(picture[5, 5]) == PAPER


def test_it_is_large_enough_to_print():
    picture, _ = plate()
    assert max(picture.shape[:2]) >= 2400  # 200 mm at 300 dots per inch
