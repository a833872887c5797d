"""`room.geojson`: round trip, and that each mistake is named with its feature and mend."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from file_samples import only_refusal, refusal, sample_room
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import Polygon, box

from coverage_lab.files.room import read_room, write_room
from coverage_lab.room.room import Obstacle, Room

Json = dict[str, Any]


def spoilt(folder: Path, change: Callable[[Json], object]) -> Path:
    """Write the sample room after `change` had its way with the file's content; return the file."""
    path = folder / "room.geojson"
    write_room(sample_room(), path)
    content = json.loads(path.read_text(encoding="utf-8"))
    change(content)
    path.write_text(json.dumps(content), encoding="utf-8")
    return path


def feature(content: Json, name: str) -> Json:
    """Return the feature of this name, role or marker id."""
    for one in content["features"]:
        has = one["properties"]
        if name in (has.get("name"), has["role"] if has["role"] in ("floor", "dock") else None, has.get("id")):
            return one
    raise KeyError(name)


def put(name: Any, /, **properties: Any) -> Callable[[Json], object]:
    return lambda content: feature(content, name)["properties"].update(properties)


def drop(name: Any, key: str) -> Callable[[Json], object]:
    return lambda content: feature(content, name)["properties"].pop(key)


def draw(name: Any, *rings: list[list[float]]) -> Callable[[Json], object]:
    return lambda content: feature(content, name)["geometry"].update(type="Polygon", coordinates=list(rings))


def misspell(content: Json) -> None:
    has = feature(content, "floor")["properties"]
    has["tolerence_mm"] = has.pop("tolerance_mm")


def place(name: Any, x: float, y: float) -> Callable[[Json], object]:
    return lambda content: feature(content, name)["geometry"].update(coordinates=[x, y])


def square(x: float, y: float, side: float) -> list[list[float]]:
    return [[x, y], [x + side, y], [x + side, y + side], [x, y + side], [x, y]]


def scale(factor: float, shift: float = 0.0) -> Callable[[Json], object]:
    def change(content: Json) -> None:
        for one in content["features"]:
            moved = np.array(one["geometry"]["coordinates"], dtype=object)
            one["geometry"]["coordinates"] = _scaled(moved.tolist(), factor, shift)

    return change


def _scaled(value: Any, factor: float, shift: float) -> Any:
    return [_scaled(v, factor, shift) for v in value] if isinstance(value, list) else value * factor + shift


def test_round_trip(tmp_path: Path):
    write_room(sample_room(), tmp_path / "a.geojson")
    assert read_room(tmp_path / "a.geojson") == sample_room()
    write_room(read_room(tmp_path / "a.geojson"), tmp_path / "b.geojson")
    assert (tmp_path / "a.geojson").read_bytes() == (tmp_path / "b.geojson").read_bytes()


def test_written_as_rfc_7946_asks(tmp_path: Path):
    clockwise = Polygon([(0, 0), (0, 3), (4, 3), (4, 0)])
    write_room(Room(clockwise), tmp_path / "room.geojson")
    content = json.loads((tmp_path / "room.geojson").read_text(encoding="utf-8"))
    ring = content["features"][0]["geometry"]["coordinates"][0]
    assert ring == [[0.0, 0.0], [4.0, 0.0], [4.0, 3.0], [0.0, 3.0], [0.0, 0.0]]  # closed, counter-clockwise
    assert content["units"] == "m"


def test_either_winding_is_read_and_the_first_vertex_kept(tmp_path: Path):
    clockwise = [[0, 0], [0, 3], [4, 3], [4, 0], [0, 0]]
    room = read_room(spoilt(tmp_path, draw("floor", clockwise)))
    assert list(room.floor.exterior.coords) == [(0, 0), (4, 0), (4, 3), (0, 3), (0, 0)]


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.tuples(st.floats(0.3, 3.7), st.floats(0.3, 2.7)), min_size=3, max_size=12).map(
        lambda points: shapely.MultiPoint(points).convex_hull
    )
)
def test_any_footprint_survives_the_file(tmp_path_factory: pytest.TempPathFactory, hull: Any):
    if not isinstance(hull, Polygon) or hull.area < 1e-4:
        return
    path = tmp_path_factory.mktemp("room") / "room.geojson"
    write_room(Room(box(0, 0, 4, 3), obstacles=(Obstacle("thing", hull, 0.3),)), path)
    read = read_room(path).obstacles[0].footprint
    assert shapely.symmetric_difference(read, hull).area <= hull.length * 2e-6  # rounded to the micrometre


def test_rendered_rooms(rendered: Path):
    room = read_room(rendered / "clipped" / "room.geojson")
    assert room.floor.area == pytest.approx(4.1 * 3.3)
    assert [obstacle.name for obstacle in room.obstacles][-2:] == ["bench", "bin"]
    assert len(room.markers) == 6
    assert room.dock_m == (0.4, 0.35)


def test_overlapping_obstacles_and_foreign_properties_are_fine(tmp_path: Path):
    def change(content: Json) -> None:
        draw("table", square(1.2, 1.2, 0.5))(content)
        put("table", fid=7, colour="red")(content)

    assert read_room(spoilt(tmp_path, change)).obstacles[1].name == "table"


def test_outlines_may_be_drawn_a_little_beyond_the_wall(tmp_path: Path):
    read_room(spoilt(tmp_path, draw("bench", square(-0.0049, -0.0049, 0.5))))


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (
            draw("bench", [[1, 1], [2, 2], [2, 1], [1, 2], [1, 1]]),
            ['feature 2 (obstacle "bench")', "crosses itself at (1.500, 1.500) m", "in order around it"],
        ),
        (draw("floor", [[0, 0], [4, 3], [4, 0], [0, 3], [0, 0]]), ["feature 1 (floor)", "crosses itself"]),
        (draw("bench", [[1, 1], [2, 2], [1, 1], [1, 1]]), ["bench", "not sound: too few points"]),
        (draw("bench", [[1, 1], [2, 1], [2, 2], [1, 2]]), ["bench", "is not closed", "Repeat the first"]),
        (draw("bench", [[1, 1], [2, 1], [1, 1]]), ["bench", "fewer than four positions"]),
        (draw("bench", square(1, 1, 0.5), square(2, 2, 0.1)), ["bench", "hole lies outside"]),
        (draw("bench", [["1", "1"], [2, 1], [2, 2], [1, 1]]), ["bench", '["1", "1"] is not a position']),
        (draw("bench"), ["bench", "is empty"]),
        (draw("bench", square(5, 1, 0.5)), ["bench", "lies outside the floor at (5.250, 1.250) m"]),
        (draw("bench", square(3.6, 1, 0.5)), ["bench", "partly outside, by up to 100 mm"]),
        (draw("bench", square(-0.0051, 1, 0.5)), ["bench", "partly outside, by up to 5 mm"]),
        (draw("sock", square(5, 1, 0.1)), ['decoy "sock"', "lies outside"]),
        (draw("bench", square(1000, 1000, 500)), ["bench", "lies outside the floor"]),
        (place(0, 320, 320), ["feature 8 (marker 0)", "outside the floor", "looks like millimetres"]),
        (place(0, -1.01, 0.3), ["marker 0", "lies 1.01 m outside the floor"]),
        (put(1, id=0), ["feature 9 (marker 0)", "apriltag_36h11 0 is already that of feature 8"]),
        (put("table", name="bench"), ['feature 3 (obstacle "bench")', "is already that of feature 2"]),
        (put("bench", role="obstacel"), ["feature 2, role", '"obstacel"', 'Perhaps you meant "obstacle"']),
        (drop("bench", "role"), ["feature 2, role", "is missing", "Known are floor, obstacle"]),
        (drop("bench", "height_m"), ['(obstacle "bench").height_m', "is missing", "Add it"]),
        (drop("bed", "clearance_m"), ['(overhang "bed").clearance_m', "is missing"]),
        (drop(0, "turn_deg"), ["(marker 0).turn_deg", "is missing"]),
        (put("bench", height_m=400), ["height_m", "looks like millimetres", "Write 0.4"]),
        (put(0, side_m=150), ["(marker 0).side_m", "millimetres", "Write 0.15"]),
        (put(0, dictionary="apriltag_36h12"), [".dictionary", 'Perhaps you meant "apriltag_36h11"']),
        (put(0, id=-1), ["(marker -1).id", "greater than or equal to 0"]),
        (put("bed", clearance_m=0.6), ["clearance_m", "more than height_m"]),
        (put("sock", approach_deg=270), ['(decoy "sock").approach_deg', "270 is not known", "Known are 360, 180, 90"]),
        (misspell, ["(floor).tolerence_mm", 'Perhaps you meant "tolerance_mm"']),
        (put("floor", tolerance_mm=0.003), ["(floor).tolerance_mm", "looks like metres", "Write 3"]),
        (place("dock", 1.2, 1.2), ["(dock)", 'stands on feature 2 (obstacle "bench")', "free floor"]),
        (place("dock", 0.55, 2.55), ["(dock)", 'stands on feature 5 (decoy "sock")']),
        (place("dock", -0.2, 1.2), ["(dock)", "lies outside the floor", "Correct it"]),
        (draw("dock", square(1, 1, 1)), ["(dock)", '"Polygon" and not a Point']),
        (draw("sock", square(1.4, 1.4, 0.1)), ['(decoy "sock")', 'lies on feature 2 (obstacle "bench")', "free floor"]),
        (draw("cable", square(0.55, 2.5, 0.1)), ['(decoy "cable")', 'lies on feature 5 (decoy "sock")']),
        (draw("cable", square(3.95, 2.5, 0.2)), ['(decoy "cable")', "partly outside", "150 mm"]),
        (put("sock", approach_deg=90), ['(decoy "sock").approach_deg', "is 90", "from every wall", "makes 360"]),
        (put("sock", approach_deg=180), ["approach_deg", "is 180", "makes 360", "leave approach_deg out"]),
        (put("cable", approach_deg=45), ['(decoy "cable").approach_deg', "Known are 360, 180, 90"]),
        (scale(1000), ["feature 1 (floor)", "4000 m long", "looks like millimetres"]),
        (scale(100), ["feature 1 (floor)", "looks like centimetres"]),
        (scale(1e-5, 48.1), ["feature 1 (floor)", "looks like degrees", "Give metres"]),
        (draw("floor", square(0, 0, 4), square(3.5, 1.5, 0.2)), ["(floor)", "has a hole", "as an obstacle"]),
        (draw("bench", square(0, 0, 1.9)), ["(dock)", "stands on"]),
        (lambda content: content["features"].pop(0), ["has no floor", '"role": "floor"']),
        (
            lambda content: content["features"].append(feature(content, "floor")),
            ["has 2 features with the role floor", "Keep one"],
        ),
        (
            lambda content: content["features"].append(feature(content, "dock")),
            ["has 2 features with the role dock", "Keep one"],
        ),
        (lambda content: content.pop("units"), ["units", "is missing", '"units": "m"']),
        (lambda content: content.update(units="mm"), ["units", '"mm" is not metres']),
        (lambda content: content.update(type="Feature"), ["not a GeoJSON FeatureCollection"]),
        (lambda content: content["features"][1].pop("properties"), ["feature 2", "has no properties"]),
        (lambda content: content["features"][1].pop("geometry"), ["bench", "null and not a Polygon or Multi"]),
    ],
)
def test_room_that_makes_no_sense(tmp_path: Path, change: Callable[[Json], object], words: list[str]):
    only_refusal(lambda: read_room(spoilt(tmp_path, change)), "room.geojson", *words)


def test_no_free_floor(tmp_path: Path):
    def change(content: Json) -> None:
        draw("bench", [[0, 0], [4, 0], [4, 3], [0, 3], [0, 0]])(content)
        for name in ("dock", "sock", "cable"):
            content["features"].remove(feature(content, name))

    only_refusal(lambda: read_room(spoilt(tmp_path, change)), "no free floor", "Check their outlines")


def test_all_mistakes_at_once(tmp_path: Path):
    def change(content: Json) -> None:
        draw("bench", [[1, 1], [2, 2], [2, 1], [1, 2], [1, 1]])(content)
        draw("table", square(5, 1, 0.5))(content)
        drop("bed", "height_m")(content)
        put(1, id=0)(content)

    lines = refusal(lambda: read_room(spoilt(tmp_path, change)))
    told = [line.split(": ")[1] for line in lines]
    assert sorted(told) == [
        'feature 2 (obstacle "bench")',
        'feature 3 (obstacle "table")',
        'feature 4 (overhang "bed").height_m',
        "feature 9 (marker 0)",
    ]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('{"type": "FeatureCollection",\n "units" "m"}', ["line 2, column 10", "is not JSON"]),
        ('{"type": NaN}', ["is not JSON", "NaN is not a number"]),
        ("[" * 100_000, ["nested too deeply"]),
        ("", ["line 1", "is not JSON"]),
        ("[]", ["not a GeoJSON FeatureCollection"]),
    ],
)
def test_file_that_is_no_room(tmp_path: Path, text: str, words: list[str]):
    path = tmp_path / "room.geojson"
    path.write_text(text)
    only_refusal(lambda: read_room(path), "room.geojson", *words)


def test_missing_room(tmp_path: Path):
    only_refusal(lambda: read_room(tmp_path / "gone.geojson"), "gone.geojson", "no such file", "Draw the room")
