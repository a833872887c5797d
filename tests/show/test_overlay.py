from __future__ import annotations

import cv2
import numpy as np
import pytest
import shapely
from pictured import BOX, FLOOR, MISSED, Scene, measures, plan_of, pocket, q, scene

from coverage_lab.job import Quality
from coverage_lab.measures.values import Contribution, Edge
from coverage_lab.room.room import Obstacle, Zone
from coverage_lab.show import overlay
from coverage_lab.show.marks import draw_marks
from coverage_lab.show.overlay import COLUMN_PX, GAP_PX, MARGIN_PX, WIDTH_PX, draw_overlay, encode_png
from coverage_lab.show.palette import PAPER
from coverage_lab.show.scale import PlanScale

LONG_NAME = "a sideboard whose name was typed by somebody who had all evening " * 3
WORD = "Prüfraum" * 30


@pytest.fixture(scope="module")
def swept_room() -> Scene:
    return scene()


@pytest.fixture
def written(monkeypatch):
    """Every text that is drawn, with its size and its box in the sheet it is drawn on, and that sheet's size."""
    calls = []
    put = cv2.putText

    def spy(picture, text, at, colour, face, size, weight):
        box = cv2.getTextSize((1 << 15, 1 << 15), text, at, face, size, weight)
        calls.append((text, size, box, picture.shape))
        return put(picture, text, at, colour, face, size, weight)

    monkeypatch.setattr(cv2, "putText", spy)
    return calls


def texts(written):
    return [text for text, *_ in written]


def drawn(room, found, **more):
    return draw_overlay(room.light, room.plan, room.swept, found, **more)


def marked(room, found, px=1000):
    """The marks alone, over grey."""
    scale = PlanScale.fitting(room.plan.grid, px, px)
    picture = np.full((scale.size[1], scale.size[0], 3), 128, np.uint8)
    draw_marks(picture, room.plan, found, scale)
    return picture, scale


def test_the_panel_says_what_was_measured(swept_room, written):
    drawn(swept_room, measures())
    said = " | ".join(texts(written))
    for fact in (
        "2031-02-11/heron-1", "robot heron", "80.12", "79.62 – 80.62 %", "92.30 %", "78.00 – 82.00 %",
        "zone east", "threshold", "0.20", "lanes", "0.88", "wall 1", "150.0 ± 2.0", "hidden-floor", "0.40 mm",
        "left out: 7", "400 ± 2", "1.50, 0.60",
    ):  # fmt: skip
        assert fact in said, fact


def test_legend_scale_bar_north_and_camera_foot_are_there(swept_room, written):
    drawn(swept_room, measures())
    assert {"swept", "missed", "fringe, out of reach", "hidden from the camera", "obstacle", "decoy", "N"} <= set(
        texts(written)
    )
    assert {"box", "sock", "bed", "east", "dock", "camera foot", "0.5 m"} <= set(texts(written))


def test_same_input_gives_the_same_bytes_and_leaves_the_input_alone(swept_room):
    light, swept = swept_room.light.copy(), swept_room.swept.copy()
    first = encode_png(drawn(swept_room, measures()))
    assert encode_png(drawn(swept_room, measures())) == first
    assert np.array_equal(light, swept_room.light)
    assert np.array_equal(swept, swept_room.swept)


def test_the_png_holds_the_picture(swept_room):
    picture = drawn(swept_room, measures())
    decoded = cv2.imdecode(np.frombuffer(encode_png(picture), np.uint8), cv2.IMREAD_COLOR)
    assert np.array_equal(cv2.cvtColor(decoded, cv2.COLOR_BGR2RGB), picture)
    assert picture.shape[1] == WIDTH_PX
    assert picture.dtype == np.uint8


def test_a_pocket_is_outlined_where_it_is(swept_room):
    with_it, scale = marked(swept_room, measures())
    without, _ = marked(swept_room, measures(pockets=()))
    changed = (with_it != without).any(axis=2)
    corners = shapely.get_coordinates(MISSED.exterior)[:4]
    middles = (corners + np.roll(corners, -1, axis=0)) / 2
    for col, row in np.rint(scale.to_px(np.vstack([corners, middles]))).astype(int):
        assert changed[row - 1 : row + 2, col - 1 : col + 2].any()
    row, col = np.nonzero(changed)
    grown = shapely.Polygon(scale.to_px(corners)).buffer(5)
    assert shapely.contains_xy(grown, col, row).mean() > 0.98


def test_a_large_pocket_carries_its_tag_inside_and_a_small_one_beside(swept_room, written):
    small = pocket(2, 0.5, 0.5, 0.03)
    marked(swept_room, measures(pockets=(*measures().pockets, small)))
    boxes = {text: box for text, _, box, _ in written}
    _, scale = marked(swept_room, measures())
    west, north = scale.to_px((MISSED.bounds[0], MISSED.bounds[3]))
    east, south = scale.to_px((MISSED.bounds[2], MISSED.bounds[1]))
    left, top, wide, high = boxes["400"]
    assert west < left < left + wide < east and north < top < top + high < south
    left, top, wide, high = boxes["30"]
    col, row = scale.to_px(small.pole_m)
    beside = max(left - col, col - left - wide, top - row, row - top - high)
    assert 0 < beside < 40


@pytest.mark.parametrize("found", ["ordinary", "overlong"])
@pytest.mark.parametrize("verdict", ["measured", "refused"])
def test_no_text_leaves_its_place(swept_room, written, found, verdict):
    values = overlong() if found == "overlong" else measures()
    if verdict == "refused":
        values = measures(
            **{**refusal(), "key": values.key, "quality": values.quality, "conditions": values.conditions}
        )
    picture = draw_overlay(
        swept_room.light, swept_room.plan, swept_room.swept if verdict == "measured" else None, values
    )
    for text, _, (left, top, wide, high), (rows, cols, _) in written:
        assert left >= -3 and left + wide <= cols, text
        assert top >= -1 and top + high <= rows + 2, text
    assert (picture[:, -MARGIN_PX:] == PAPER).all()
    assert (picture[:, : MARGIN_PX - 4] == PAPER).all()
    third = MARGIN_PX + 2 * (COLUMN_PX + GAP_PX)
    assert (picture[400:, third - GAP_PX + 4 : third - 4] == PAPER).all()


def overlong():
    base = measures()
    return measures(
        key="2031-02-11 " + WORD,
        robot=LONG_NAME,
        conditions={f"condition {i}": LONG_NAME for i in range(9)},
        quality=(Quality("led-missing", "warning", f"{WORD} {LONG_NAME * 9}"), Quality("x" * 90, "note", "")),
        edges=tuple(Edge(LONG_NAME, None, q(123.4, 12.3), 300.0, 1.0) for _ in range(40)),
        coverage=type(base.coverage)(
            base.coverage.percent,
            None,
            (0.0, 100.0),
            base.coverage.swept_m2,
            0.12,
            {f"{i} {LONG_NAME}": None for i in range(30)},
            {f"{i} {LONG_NAME}": Contribution(0.1, "night") for i in range(30)},
        ),
    )


def refusal():
    return {
        "verdict": "refused",
        "reason": "the exposure shows no trail",
        "coverage": None,
        "pockets": None,
        "edges": None,
        "pattern": None,
        "quality": (Quality("no-trail", "refused", "No trail on the floor."),),
    }


def test_sixty_pockets_list_the_largest_and_say_how_many_more(swept_room, written):
    spots = [(0.2 + 0.21 * (i % 10), 0.2 + 0.15 * (i // 10)) for i in range(60)]
    many = tuple(pocket(i + 1, *spot, 0.12 - 0.001 * i) for i, spot in enumerate(spots))
    drawn(swept_room, measures(pockets=many))
    said = texts(written)
    assert "60 found" in said
    assert any(text.startswith("and 46 more") and "none over 106 mm" in text for text in said)
    assert {"120", "119", "107"} <= set(said)


def test_no_pockets_is_said(swept_room, written):
    drawn(swept_room, measures(pockets=()))
    assert "none" in texts(written)


def test_a_refused_run_shows_its_reason_before_all_else_and_no_number(swept_room, written):
    picture = draw_overlay(swept_room.light, swept_room.plan, None, measures(**refusal()))
    reason = [(size, shape) for text, size, _, shape in written if "shows no trail" in text]
    assert reason and reason[0][0] >= 28
    assert not {"swept", "missed", "Coverage of the visible floor"} & set(texts(written))
    assert picture.shape[1] == WIDTH_PX


def test_a_run_without_camera_or_floor_facts_is_drawn(swept_room, written):
    found = measures(**refusal(), camera=None, floor=None)
    draw_overlay(swept_room.light, swept_room.plan, None, found)
    assert "camera foot" not in texts(written)


ROOMS = {
    "long": (shapely.box(0, 0, 9, 1.2), 3),
    "tall": (shapely.box(0, 0, 1.2, 9), 1),
    "pen": (shapely.box(0, 0, 2, 2), 2),
    "L": (shapely.Polygon([(0, 0), (5, 0), (5, 2), (2.4, 2), (2.4, 4), (0, 4)]), 2),
}


@pytest.mark.parametrize("name", ROOMS)
def test_odd_rooms_fill_their_columns(name, written):
    floor, columns = ROOMS[name]
    plan = plan_of(floor)
    light = np.full(plan.grid.shape, 0.2, np.float32)
    picture = draw_overlay(light, plan, plan.reachable_share, measures(pockets=()))
    wide = columns * COLUMN_PX + (columns - 1) * GAP_PX
    dark = (picture[300:320, MARGIN_PX + 40 : MARGIN_PX + wide] != PAPER).any(axis=2)
    assert dark.any()
    walls = {text for text in texts(written) if text.startswith("wall ")}
    assert {f"wall {i + 1}" for i in range(len(floor.exterior.coords) - 1)} <= walls
    assert picture.shape[0] < 2000


def test_walls_are_named_on_their_own_side(swept_room):
    """Wall 1 runs from the first vertex, counter-clockwise: its tag stands outside that side of the floor."""
    picture, scale = marked(Scene(swept_room.light, plan_of(FLOOR), swept_room.swept), measures(pockets=()))
    start, end = shapely.get_coordinates(shapely.orient_polygons(FLOOR).exterior)[:2]
    along = (end - start) / np.hypot(*(end - start))
    outside = scale.to_px((start + end) / 2) + np.array([along[1], along[0]]) * 13
    col, row = np.rint(outside).astype(int)
    assert (picture[row - 6 : row + 6, col - 6 : col + 6] != 128).all(axis=2).mean() > 0.9


def test_names_of_things_too_small_stand_beside_them(written):
    leg = shapely.Point(1.2, 0.9).buffer(0.02)
    plan = plan_of(FLOOR, obstacles=(Obstacle("table leg", leg, 0.4), Obstacle("box", BOX, 0.3)))
    blank_room = Scene(np.zeros(plan.grid.shape, np.float32), plan, plan.reachable_share)
    _, scale = marked(blank_room, measures(pockets=(), camera=None))
    boxes = {text: box for text, _, box, _ in written}
    col, row = scale.to_px((1.2, 0.9))
    left, top, wide, high = boxes["table leg"]
    assert not (left < col < left + wide and top < row < top + high)
    assert abs(left + wide / 2 - col) < 100
    west, north = scale.to_px((BOX.bounds[0], BOX.bounds[3]))
    east, south = scale.to_px((BOX.bounds[2], BOX.bounds[1]))
    left, top, wide, high = boxes["box"]
    assert west < left < left + wide < east and north < top < top + high < south


def test_a_zone_named_beyond_the_picture_is_drawn_without_its_name(written):
    plan = plan_of(FLOOR, zones=(Zone("z" * 400, FLOOR),))
    room = Scene(np.zeros(plan.grid.shape, np.float32), plan, plan.reachable_share)
    marked(room, measures())
    assert not any(text.startswith("zzz") for text in texts(written))


def test_drawing_a_large_plan(benchmark):
    """A 2000 × 1600 grid with 60 pockets; the budget beside the measuring itself is 300 ms on one thread."""
    room = scene(shapely.box(0, 0, 10, 8))
    threads = cv2.getNumThreads()
    cv2.setNumThreads(1)
    try:
        benchmark(lambda: overlay.encode_png(drawn(room, measures())))
    finally:
        cv2.setNumThreads(threads)
