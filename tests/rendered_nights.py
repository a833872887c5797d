"""Room, plan and true swept floor of a rendered night, for tests of plan geometry."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from shapely import Polygon, wkt
from shapely.geometry import shape

from coverage_lab.room.grid import FloorGrid, ShareArray
from coverage_lab.room.plan import FloorPlan, floor_plan
from coverage_lab.room.room import Area, Decoy, Obstacle, Room

NIGHTS = ("bounce", "clipped", "faint", "lanes", "pen", "series-bounce", "series-lanes")


@dataclass(frozen=True)
class RenderedNight:
    plan: FloorPlan
    swept: Area
    swept_share: ShareArray
    body_diameter_m: float
    truth: dict[str, Any]


def load(folder: Path, cell_m: float = 0.002) -> RenderedNight:
    facts = json.loads((folder / "truth.json").read_text())
    features = json.loads((folder / "room.geojson").read_text())["features"]
    by_role: dict[str, list[Any]] = {}
    for feature in features:
        by_role.setdefault(feature["properties"]["role"], []).append(
            (feature["properties"], shape(feature["geometry"]))
        )
    dock = by_role["dock"][0][1]
    floor = by_role["floor"][0][1]
    assert isinstance(floor, Polygon)
    room = Room(
        floor,
        obstacles=tuple(Obstacle(p["name"], s, p["height_m"]) for p, s in by_role.get("obstacle", [])),
        decoys=tuple(Decoy(p["name"], s, p["height_m"]) for p, s in by_role.get("decoy", [])),
        dock_m=(dock.x, dock.y),
    )
    grid = FloorGrid.over(floor, cell_m)
    plan = floor_plan(
        room,
        body_diameter_m=2 * facts["robot"]["radius_m"],
        body_height_m=0.1,
        nozzle_m=facts["bar"]["length_m"],
        forward_m=facts["bar"]["forward_offset_m"],
        bar_height_m=facts["bar"]["height_m"],
        camera_centre_m=facts["camera"]["centre_m"],
        seen=None,
        grid=grid,
    )
    swept = wkt.loads(facts["truth"]["swept_wkt"])
    diameter_m = 2 * facts["robot"]["radius_m"]
    return RenderedNight(plan, swept, grid.weights(swept), diameter_m, facts["truth"])
