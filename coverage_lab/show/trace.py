"""The page on which a room is drawn: one HTML file that needs neither a server nor the network."""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from importlib.resources import files
from typing import Any

import cv2
import numpy as np
from jinja2 import Environment, StrictUndefined
from markupsafe import Markup
from numpy.typing import NDArray

_SCRIPTS = ("geometry.js", "shapes.js", "view.js", "main.js")
_JPEG_QUALITY = 88


@dataclass(frozen=True, slots=True, eq=False)
class FloorPicture:
    """The lights-on frame laid on the floor, north up."""

    light: NDArray[np.float32]  # (rows, cols), linear, 1 = full scale
    west_m: float  # of the picture's west edge, in the room
    north_m: float
    cell_m: float
    camera_m: tuple[float, float, float]  # where the camera hangs: raised outlines are brought down from there


def trace_page(night: str, floor: FloorPicture, room: Any, remarks: Sequence[str]) -> str:
    """Return the page, HTML: the floor picture to scale, what is drawn already, and all that draws and saves.

    room : the room file's GeoJSON as it is now, or None; remarks : what is wrong with it, shown beside it.
    The page may run no script and load nothing but what is in it (Content Security Policy Level 3, W3C: hashes).
    """
    rows, cols = floor.light.shape
    west_mm, north_mm = floor.west_m * 1000, floor.north_m * 1000
    width_mm, height_mm = cols * floor.cell_m * 1000, rows * floor.cell_m * 1000
    x_m, y_m, z_m = floor.camera_m
    facts = {
        "picture": {"west": west_mm, "north": north_mm, "width": width_mm, "height": height_mm},
        "camera": {"foot": [x_m * 1000, y_m * 1000], "height": z_m * 1000},
        "room": room,
    }
    script = f'"use strict";\nconst page = {_as_script(facts)};\n' + "\n".join(_part(name) for name in _SCRIPTS)
    style = _part("trace.css")
    template = Environment(autoescape=True, undefined=StrictUndefined).from_string(_part("trace.html"))
    return template.render(
        night=night,
        picture=_data_uri(floor.light),
        width_mm=round(width_mm, 3),
        height_mm=round(height_mm, 3),
        remarks=remarks,
        script=Markup(script),
        script_hash=Markup(_sha256(script)),
        style=Markup(style),
        style_hash=Markup(_sha256(style)),
    )


def _part(name: str) -> str:
    return files(__package__).joinpath("pages", "trace", name).read_text(encoding="utf-8")


def _as_script(facts: Any) -> str:
    """Return JSON that can't end the script it stands in."""
    return json.dumps(facts, ensure_ascii=True, allow_nan=False).replace("<", "\\u003c")


def _sha256(content: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(content.encode()).digest()).decode()


def _data_uri(light: NDArray[np.float32]) -> str:
    """Return the picture as a JPEG of its own: white a little above its brightest hundredth, the shadows lifted."""
    seen = light[light > 0]
    white = 1.2 * float(np.percentile(seen, 99)) if seen.size else 1.0
    tone = np.clip(light / max(white, 1e-6), 0, 1) ** (1 / 2.2)
    _, coded = cv2.imencode(".jpg", np.rint(tone * 255).astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, _JPEG_QUALITY])
    return "data:image/jpeg;base64," + base64.b64encode(coded.tobytes()).decode()
