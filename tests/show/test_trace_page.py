"""The drawing page, driven in a real browser; what it saves is read back by our reader and by shapely."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from axe_playwright_python.sync_playwright import Axe
from drawing import Drawing, open_drawing
from playwright.sync_api import Browser
from shapely import box

from coverage_lab.show.trace import FloorPicture, trace_page

CAMERA_M = (2.0, 1.5, 2.8)
FLOOR_MM = [(0, 0), (4000, 0), (4000, 3000), (0, 3000)]
MARKER = {
    "type": "Feature",
    "properties": {"role": "marker", "dictionary": "apriltag_36h11", "id": 3, "side_m": 0.15, "turn_deg": 90},
    "geometry": {"type": "Point", "coordinates": [0.5, 0.5]},
}


def floor_picture() -> FloorPicture:
    """4 m × 3 m of floor and 100 mm around it, at 5 mm."""
    light = np.full((640, 840), 0.4, np.float32)
    light[20:-20, 20:-20] = 0.6
    return FloorPicture(light, west_m=-0.1, north_m=3.1, cell_m=0.005, camera_m=CAMERA_M)


def collection(*features: dict[str, Any]) -> dict[str, Any]:
    return {"type": "FeatureCollection", "units": "m", "features": list(features)}


def feature(role: str, outline_m: list[tuple[float, float]], **properties: Any) -> dict[str, Any]:
    ring = [*outline_m, outline_m[0]]
    geometry = {"type": "Polygon", "coordinates": [ring]}
    return {"type": "Feature", "properties": {"role": role, **properties}, "geometry": geometry}


Open = Callable[..., Drawing]


@pytest.fixture
def open_page(browser: Browser, tmp_path: Path) -> Iterator[Open]:
    contexts = []

    def open_(
        room: Any = None, *, size: tuple[int, int] = (1440, 900), night: str = "night", **context: Any
    ) -> Drawing:
        path = tmp_path / "trace.html"
        path.write_text(trace_page(night, floor_picture(), room, []), encoding="utf-8")
        made = browser.new_context(viewport={"width": size[0], "height": size[1]}, accept_downloads=True, **context)
        contexts.append(made)
        return open_drawing(made, path)

    yield open_
    for made in contexts:
        made.close()


def ring_mm(shape: Any) -> set[tuple[int, int]]:
    return {(round(x * 1000), round(y * 1000)) for x, y in shapely.get_coordinates(shape).tolist()}


def test_draws_a_room_of_twelve_obstacles(open_page: Open):
    drawing = open_page(collection(MARKER))
    drawing.outline("floor", *FLOOR_MM)
    corners = [(400 + 900 * column, 400 + 800 * row) for row in range(3) for column in range(4)]
    for number, (x, y) in enumerate(corners):
        if number % 3 == 0:
            drawing.choose("obstacle", "polygon")
            drawing.click((x, y), (x + 300, y), (x + 300, y + 200), (x + 100, y + 300), (x, y))
        elif number % 3 == 1:
            drawing.choose("obstacle", "rectangle")
            drawing.click((x, y), (x + 200, y + 150), (x + 110, y + 270))  # a 3-4-5 triangle turns it
        else:
            drawing.choose("obstacle", "circle")
            drawing.click((x + 100, y + 100), (x + 200, y + 100))
        drawing.write("name", f"thing {number}")
        drawing.write("height", "450")
    drawing.choose("dock", "point")
    drawing.click((2000, 200))
    assert drawing.mistakes() == []

    room = drawing.room()
    assert ring_mm(room.floor) == set(FLOOR_MM)
    assert room.dock_m == (2.0, 0.2)
    assert [obstacle.name for obstacle in room.obstacles] == [f"thing {number}" for number in range(12)]
    assert {obstacle.height_m for obstacle in room.obstacles} == {0.45}
    for number, ((x, y), obstacle) in enumerate(zip(corners, room.obstacles, strict=True)):
        intended = {
            0: {(x, y), (x + 300, y), (x + 300, y + 200), (x + 100, y + 300)},
            1: {(x, y), (x + 200, y + 150), (x + 110, y + 270), (x - 90, y + 120)},
        }
        if number % 3 in intended:
            assert ring_mm(obstacle.footprint) == intended[number % 3]
        else:
            circle = shapely.Point((x + 100) / 1000, (y + 100) / 1000).buffer(0.1, quad_segs=64)
            assert obstacle.footprint.area == pytest.approx(np.pi * 0.01, rel=1e-4)
            assert shapely.hausdorff_distance(obstacle.footprint, circle) < 0.001
    assert drawing.save()["features"][-1] == MARKER
    assert drawing.noises == []


def test_draws_by_keyboard_alone_on_a_small_screen(open_page: Open):
    drawing = open_page(collection(MARKER), size=(1024, 768))
    page = drawing.page
    page.focus("input[name=role][value=obstacle]")
    page.keyboard.press("ArrowLeft")  # to the floor, in the group of radio buttons
    page.focus("#drawing")

    def go(key: str, far: int, near: int = 0) -> None:
        for _ in range(far):
            page.keyboard.press(f"Shift+{key}")
        for _ in range(near):
            page.keyboard.press(key)

    page.keyboard.press("Enter")  # the middle of the view
    go("ArrowRight", 10, 3)
    page.keyboard.press("Enter")
    go("ArrowUp", 6)
    page.keyboard.press("Enter")
    page.keyboard.press("Alt+ArrowUp")
    page.keyboard.press("Enter")
    page.keyboard.press("Backspace")
    go("ArrowLeft", 10)
    page.keyboard.press("Enter")
    page.keyboard.press("Enter")  # again in one place: finished
    saved = drawing.save()["features"][0]
    ring = np.array(saved["geometry"]["coordinates"][0]) * 1000
    assert saved["properties"]["role"] == "floor"
    assert (ring - ring[0]).round(3).tolist() == [[0, 0], [515, 0], [515, 300], [15, 300], [0, 0]]
    page.keyboard.press("Control+z")
    assert page.locator("#shapes li").count() == 0
    assert drawing.noises == []


def test_what_is_traced_along_its_top_is_brought_down(open_page: Open):
    drawing = open_page(collection(feature("floor", [(0, 0), (4, 0), (4, 3), (0, 3)])))
    drawing.page.locator("#raised").check()
    base, height = box(3.0, 2.0, 3.4, 2.5), 0.7
    foot = np.array(CAMERA_M[:2])
    seen = foot + (np.array(base.exterior.coords)[:4] - foot) * CAMERA_M[2] / (CAMERA_M[2] - height)
    drawing.choose("obstacle", "polygon")
    drawing.click(*[tuple(corner) for corner in (seen * 1000).tolist()], free=True)
    drawing.page.click("#finish")
    # The mouse meets whole pixels only; the fields take what was meant.
    numbers = drawing.page.locator("#numbers input")
    for at, value in enumerate((seen * 1000).ravel().tolist()):
        numbers.nth(at).fill(f"{value:.3f}")
        numbers.nth(at).press("Tab")
    drawing.write("height", "700")
    (obstacle,) = drawing.room().obstacles
    assert shapely.hausdorff_distance(obstacle.footprint, base) < 1e-5
    assert "0.200 m²" in drawing.page.inner_text("#size")


def test_an_existing_room_comes_back_as_it_was(open_page: Open):
    two = {
        "type": "MultiPolygon",
        "coordinates": [[[[1, 1], [1.2, 1], [1.2, 1.2], [1, 1]]], [[[2, 1], [2.2, 1], [2.2, 1.2], [2, 1]]]],
    }
    ring = [[3, 2], [3.5, 2], [3.5, 2.5], [3, 2.5], [3, 2]]
    hole = [[3.1, 2.1], [3.1, 2.4], [3.4, 2.4], [3.4, 2.1], [3.1, 2.1]]
    room = collection(
        feature("floor", [(0, 0), (4, 0), (4, 3), (0, 3)], tolerance_mm=2),
        {
            "type": "Feature",
            "properties": {"role": "obstacle", "name": "legs", "height_m": 0.4, "colour": "grey"},
            "geometry": two,
        },
        feature("overhang", [(1, 1), (2.2, 1), (2.2, 1.2), (1, 1.2)], name="top", clearance_m=0.4, height_m=0.44),
        {
            "type": "Feature",
            "properties": {"role": "zone", "name": "around"},
            "geometry": {"type": "Polygon", "coordinates": [ring, hole]},
        },
        feature("decoy", [(0.5, 2), (0.6, 2), (0.55, 2.1)], name="lobed", height_m=0.03, approach_deg=180),
        MARKER,
    )
    saved = open_page(room).save()
    assert saved == json.loads(json.dumps(room))


def test_corners_move_by_mouse_keys_and_numbers_and_come_back(open_page: Open):
    drawing = open_page(collection(feature("floor", [(0, 0), (4, 0), (4, 3), (0, 3)])))
    page = drawing.page
    page.locator("#shapes button").click()
    start, end = drawing.at(4000, 3000), drawing.at(3500, 2600)
    page.mouse.move(*start)
    page.mouse.down()
    page.mouse.move(*end, steps=4)
    page.mouse.up()
    assert (3500, 2600) in ring_mm(drawing.room().floor)
    page.focus("#drawing")
    page.keyboard.press("ArrowRight")  # the corner that was dragged stays chosen
    assert (3505, 2600) in ring_mm(drawing.room().floor)
    page.locator("#numbers input").nth(0).fill("-20")
    page.locator("#numbers input").nth(0).press("Tab")
    assert (-20, 0) in ring_mm(drawing.room().floor)
    for _ in range(3):
        page.click("#undo")
    assert ring_mm(drawing.room().floor) == set(FLOOR_MM)
    page.click("#redo")
    assert (3500, 2600) in ring_mm(drawing.room().floor)


def test_a_finger_draws_too(open_page: Open):
    drawing = open_page(None, has_touch=True)
    drawing.choose("floor", "rectangle")
    for place in [(0, 0), (4000, 0), (4000, 3000)]:
        drawing.page.touchscreen.tap(*drawing.at(*place))
    assert ring_mm(drawing.room().floor) == set(FLOOR_MM)


def test_points_snap_to_corners_edges_and_right_angles(open_page: Open):
    drawing = open_page(collection(feature("floor", [(0, 0), (4, 0), (4, 3), (0, 3)])))
    drawing.choose("zone", "polygon")
    drawing.click((8, -6), (1203, 7), (1211, 1000), (203, 1001))
    drawing.page.click("#finish")
    (zone,) = drawing.room().zones
    ring = np.array(zone.outline.exterior.coords)[:4] * 1000
    assert ring[0].tolist() == [0, 0]  # the floor's corner
    assert ring[1][1] == 0  # its edge
    assert ring[2][0] == ring[1][0]  # square to the edge before
    assert ring[3][1] == ring[2][1]


def test_says_what_a_room_still_lacks(open_page: Open):
    drawing = open_page(collection(MARKER))
    assert drawing.mistakes() == ["There is no floor: draw its outline along the walls."]
    drawing.outline("floor", *FLOOR_MM)
    drawing.outline("obstacle", (3000, 1000), (4080, 1000), (4080, 1500), (3000, 1500))
    assert any("has no height" in words for words in drawing.mistakes())
    assert any("reaches beyond the floor" in words for words in drawing.mistakes())
    drawing.write("name", "")
    drawing.choose("obstacle", "polygon")
    drawing.click((1000, 1000), (1500, 1500), (1500, 1000), (1000, 1500), (1000, 1000))
    assert any("crosses itself" in words for words in drawing.mistakes())
    assert any("has no name" in words for words in drawing.mistakes())


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ("{", "not JSON"),
        ("[]", "not a GeoJSON FeatureCollection"),
        (json.dumps(collection(feature("floor", [(0, 0), (4000, 0), (4000, 3000)]))), "looks like millimetres"),
        (json.dumps(collection(feature("floor", [(8.1, 47), (8.10004, 47), (8.1, 47.00003)]))), "look like degrees"),
        (json.dumps(collection(feature("zone", [(0, 0), (1, 0)], name="thin"))), "fewer than three corners"),
    ],
)
def test_a_file_that_is_no_room_is_named_and_nothing_is_lost(open_page: Open, content: str, said: str):
    drawing = open_page(collection(MARKER))
    drawing.outline("floor", *FLOOR_MM)
    file = {"name": "mine.geojson", "mimeType": "application/json", "buffer": content.encode()}
    drawing.page.set_input_files("#open", files=[file])  # type: ignore[list-item]
    drawing.page.wait_for_selector("#trouble:visible")
    assert said in drawing.page.inner_text("#trouble")
    assert "mine.geojson" in drawing.page.inner_text("#trouble")
    assert ring_mm(drawing.room().floor) == set(FLOOR_MM)


@pytest.mark.parametrize("size", [(1440, 900), (1024, 768)])
def test_can_be_used_by_everybody(open_page: Open, size: tuple[int, int]):
    name = "<img src=x onerror=alert(1)>"
    room = collection(
        feature("floor", [(0, 0), (4, 0), (4, 3), (0, 3)]), feature("zone", [(1, 1), (2, 1), (2, 2)], name=name)
    )
    drawing = open_page(room, size=size, night="</script><script>alert(2)</script>")
    drawing.page.locator("#shapes button").nth(1).click()
    assert drawing.page.input_value("#field-name") == name
    found = Axe().run(drawing.page).response["violations"]
    assert [one["id"] for one in found if one["impact"] in ("serious", "critical")] == []
    view, panel = (drawing.page.locator(which).bounding_box() for which in ("#view", "aside"))
    assert view and panel
    assert view["x"] + view["width"] <= panel["x"] + 1
    assert drawing.page.evaluate("document.documentElement.scrollWidth") <= size[0]
    assert drawing.noises == []


def test_equal_rooms_give_equal_pages():
    room = collection(feature("floor", [(0, 0), (4, 0), (4, 3), (0, 3)]))
    assert trace_page("night", floor_picture(), room, ["a"]) == trace_page("night", floor_picture(), room, ["a"])
