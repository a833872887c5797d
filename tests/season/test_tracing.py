"""From a night to its drawing page, with a room file in every state of being drawn."""

from __future__ import annotations

import base64
import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from small_night import Features, Lab

from coverage_lab.errors import ExitCode
from coverage_lab.files.room import read_room


def page(lab: Lab) -> str:
    out = lab.season / "trace.html"
    told = lab.run("room", "trace", lab.night, "--out", out)
    assert told.code == ExitCode.DONE, told.lines
    return out.read_text(encoding="utf-8")


def facts(html: str) -> dict[str, Any]:
    found = re.search(r"^const page = (.*);$", html, re.MULTILINE)
    assert found
    content: dict[str, Any] = json.loads(found[1])
    return content


def keep_only(*roles: str) -> Callable[[Features], None]:
    def change(features: Features) -> None:
        features[:] = [one for one in features if one["properties"]["role"] in roles]

    return change


def picture(html: str) -> np.ndarray:
    found = re.search(r'href="data:image/jpeg;base64,([^"]+)"', html)
    assert found
    return cv2.imdecode(np.frombuffer(base64.b64decode(found[1]), np.uint8), cv2.IMREAD_GRAYSCALE)


def test_floor_picture_is_to_scale(lab: Lab):
    html = page(lab)
    place = facts(html)["picture"]
    grey = picture(html)
    mm_per_pixel = place["width"] / grey.shape[1]
    assert place["height"] / grey.shape[0] == pytest.approx(mm_per_pixel)
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary).detectMarkers(grey)
    markers = {marker.id: marker for marker in read_room(lab.night / "room.geojson").markers}
    assert len(ids) >= 3
    for number, found in zip(ids.ravel(), corners, strict=True):
        x_mm = place["west"] + (found[0][:, 0].mean() + 0.5) * mm_per_pixel
        y_mm = place["north"] - (found[0][:, 1].mean() + 0.5) * mm_per_pixel
        assert np.hypot(*(np.array([x_mm, y_mm]) / 1000 - markers[int(number)].centre_m)) < 0.005


def test_a_room_of_markers_alone_can_be_drawn(lab: Lab):
    whole = facts(page(lab))["picture"]
    lab.edit_room(keep_only("marker"))
    html = page(lab)
    assert "has no floor" in html
    alone = facts(html)["picture"]
    assert alone["west"] < whole["west"] + 500
    assert alone["width"] > 0.8 * whole["width"]


def test_mistakes_made_by_hand_are_shown_beside_the_drawing(lab: Lab):
    def spoil(features: Features) -> None:
        leg = next(one for one in features if one["properties"]["role"] == "obstacle")
        leg["properties"]["height_m"] = 440

    lab.edit_room(spoil)
    assert "height_m" in page(lab).split("Found in the room file")[1]


def test_one_feature_without_a_role_does_not_keep_the_others_from_being_drawn(lab: Lab):
    lab.edit_room(keep_only("marker", "floor"))
    lab.edit_room(lambda features: features[-1]["properties"].pop("role"))
    assert "role: is missing" in page(lab)


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (lambda features: [one["properties"].pop("side_m", None) for one in features], "side_m"),
        (keep_only("floor"), "marker"),
    ],
)
def test_a_room_without_sound_markers_is_refused(lab: Lab, spoil: Callable[[Features], object], said: str):
    lab.edit_room(spoil)
    told = lab.run("room", "trace", lab.night, "--out", lab.season / "trace.html")
    assert told.code == ExitCode.BAD_INPUT
    assert any("room.geojson" in line and said in line for line in told.lines)
    assert not (lab.season / "trace.html").exists()


def test_millimetres_are_named_when_the_camera_does_not_fit(lab: Lab):
    def enlarge(features: Features) -> None:
        for one in features:
            geometry = one["geometry"]
            geometry["coordinates"] = (np.array(geometry["coordinates"]) * 1000).tolist()

    lab.edit_room(keep_only("marker", "floor"))
    lab.edit_room(enlarge)
    told = lab.run("room", "trace", lab.night, "--out", lab.season / "trace.html")
    assert told.code == ExitCode.BAD_INPUT
    assert any("looks like millimetres" in line for line in told.lines)


def test_a_night_without_a_lights_on_frame_is_told_so(lab: Lab):
    path: Path = lab.night / "night.toml"
    text = path.read_text(encoding="utf-8")
    corners = "".join(
        f"[[camera.corners]]\npixel = [{x}, {y}]\nfloor_mm = [{x * 4}, {y * 4}]\n"
        for x, y in [(10, 10), (700, 10), (700, 500), (10, 500)]
    )
    path.write_text(re.sub(r"(?m)^reference = .*$", "", text) + corners, encoding="utf-8")
    told = lab.run("room", "trace", lab.night, "--out", lab.season / "trace.html")
    assert told.code == ExitCode.BAD_INPUT
    assert told.line("night.toml", "reference", "lights-on")
