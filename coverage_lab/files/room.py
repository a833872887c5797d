"""Read and write `room.geojson`, the test room: GeoJSON in metres, x east and y north.

RFC 7946 section 4 allows other coordinates than degrees by prior arrangement; the top-level member
"units": "m" states it.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import shapely
from shapely import Point, Polygon

from coverage_lab.errors import BadInput, Problem
from coverage_lab.files.checking import (
    MistakeError,
    check,
    known_keys,
    nearest,
    quoted,
    read_json,
    suggest,
)
from coverage_lab.files.geometry import (
    Shape,
    floor_mistake,
    geojson,
    marker_outside,
    outside,
    parse,
)
from coverage_lab.files.room_roles import ROLES, SHAPES, DecoyProperties, MarkerProperties
from coverage_lab.files.store import write_file
from coverage_lab.room.approach import approach_mistake
from coverage_lab.room.room import Decoy, Marker, Obstacle, Overhang, Room, Zone

_LIKE_A_KNOWN_PROPERTY = 0.8  # below it another program's property, which is none of our business
OVERLAP_M2 = 1e-5  # outlines of things side by side are drawn a little into each other


@dataclass(slots=True)
class _Feature:
    """One feature that passed by itself: how messages call it, its properties and its shape."""

    label: str
    role: str
    has: Any
    shape: Any


@dataclass(slots=True)
class _Reading:
    """A room file while it is being read."""

    path: Path
    features: list[_Feature] = field(default_factory=list)
    found: list[Problem] = field(default_factory=list)
    roles: Counter[str] = field(default_factory=Counter)  # sound features and others

    def refuse(self, where: str, wrong: str, mend: str) -> None:
        self.found.append(Problem(self.path, where, wrong, mend))

    def of(self, role: str) -> list[_Feature]:
        return [feature for feature in self.features if feature.role == role]


def read_room(path: Path) -> Room:
    """Return the room that a file describes; outlines counter-clockwise, their first vertex kept.

    Raises BadInput with every mistake found, each with its feature's name.
    """
    reading, _ = _read(path)
    if reading.found:
        raise BadInput(reading.found)
    return _room(reading)


@dataclass(frozen=True, slots=True)
class Draft:
    """A room file that is still being drawn: it may have mistakes, but its markers are sound."""

    geojson: dict[str, Any]
    markers: tuple[Marker, ...]
    floor: Polygon | None
    problems: tuple[Problem, ...]  # what `read_room` would refuse


def read_draft(path: Path) -> Draft:
    """Return what a room file has so far.

    Raises BadInput where it is no GeoJSON, or a marker is not sound: without markers nothing is to scale.
    """
    reading, content = _read(path)
    if len(reading.of("marker")) < reading.roles["marker"]:
        raise BadInput(reading.found)
    floor = reading.of("floor")
    markers = tuple(_marker(feature) for feature in reading.of("marker"))
    return Draft(content, markers, floor[0].shape if floor else None, tuple(reading.found))


def _read(path: Path) -> tuple[_Reading, dict[str, Any]]:
    """Read a room file's features, with every mistake that is in them; also its content as it is."""
    reading = _Reading(path)
    data = read_json(path, "Draw the room, or correct the name in night.toml")
    for number, raw in enumerate(_features(data, reading), start=1):
        _read_feature(number, raw, reading)
    _check_counts(reading)
    if reading.of("floor"):
        reading.features.sort(key=lambda feature: feature.role != "floor")
        _check_together(reading, reading.features[0].shape)
    return reading, data


def _features(data: Any, reading: _Reading) -> list[Any]:
    features = data.get("features") if isinstance(data, dict) else None
    if not isinstance(features, list) or data.get("type") != "FeatureCollection":
        mend = 'Begin it with {"type": "FeatureCollection", "units": "m", "features": ['
        raise BadInput(Problem(reading.path, "", "is not a GeoJSON FeatureCollection", mend))
    if data.get("units") != "m":
        wrong = f"{quoted(data['units'])} is not metres" if "units" in data else "is missing"
        reading.refuse("units", wrong, 'Give coordinates in metres and say so at the top: "units": "m"')
    return features


def _read_feature(number: int, raw: Any, reading: _Reading) -> None:
    """Add one feature to the reading, or what is wrong with it."""
    properties = raw.get("properties") if isinstance(raw, dict) else None
    if not isinstance(properties, dict):
        reading.refuse(f"feature {number}", "has no properties", 'Give it at least "role"')
        return
    role = properties.get("role")
    if not isinstance(role, str) or role not in ROLES:
        wrong = "is missing" if role is None else f"{quoted(role)} is not a role"
        reading.refuse(f"feature {number}, role", wrong, suggest(str(role or ""), ROLES))
        return
    reading.roles[role] += 1
    label = f"feature {number} ({role}{_called(role, properties)})"
    before = len(reading.found)
    model = ROLES[role]
    given = {key: value for key, value in properties.items() if key != "role"}
    has = check(model, given, reading.path, label, reading.found)
    _check_spelling(label, set(given), set(known_keys(model, ())), reading)
    try:
        shape = parse(raw.get("geometry"), SHAPES.get(role, ("Polygon",)))
    except MistakeError as mistake:
        reading.refuse(label, mistake.wrong, mistake.mend)
    else:
        if len(reading.found) == before:
            reading.features.append(_Feature(label, role, has, shape))


def _called(role: str, properties: dict[str, Any]) -> str:
    name = properties.get("id" if role == "marker" else "name")
    return "" if name is None or role == "floor" else f" {name}" if role == "marker" else f" {quoted(name)}"


def _check_spelling(label: str, given: set[str], known: set[str], reading: _Reading) -> None:
    """Refuse a property that is nearly one of ours: unread, it would silently change nothing."""
    for key in sorted(given - known - {"name"}):
        near = nearest(key, known - given, _LIKE_A_KNOWN_PROPERTY)
        if near is not None:
            reading.refuse(f"{label}.{key}", "is not a known property", f"Perhaps you meant {quoted(near)}")


def _check_counts(reading: _Reading) -> None:
    """Check what there may be only one of."""
    if reading.roles["floor"] == 0:
        reading.refuse("", "has no floor", 'Add one Polygon with "role": "floor"')
    for role in ("floor", "dock"):
        if reading.roles[role] > 1:
            wrong = f"has {reading.roles[role]} features with the role {role}"
            reading.refuse("", wrong, "Keep one")
    seen: dict[tuple[object, ...], str] = {}
    for feature in reading.features:
        if feature.role == "marker":
            key: tuple[object, ...] = ("marker", feature.has.dictionary, feature.has.id)
            what = f"{feature.has.dictionary} {feature.has.id}"
        elif hasattr(feature.has, "name"):
            key = (feature.role, feature.has.name)
            what = f"the name {quoted(feature.has.name)}"
        else:
            continue
        if key in seen:
            reading.refuse(feature.label, f"{what} is already that of {seen[key]}", "Give it another one")
        seen.setdefault(key, feature.label)


def _check_together(reading: _Reading, floor: Polygon) -> None:
    """Check how the features lie in each other."""
    for feature in reading.features:
        if feature.role == "marker":
            mistake = marker_outside(feature.shape, floor)
        elif feature.role != "floor":
            mistake = outside(feature.shape, floor)
        else:
            mistake = floor_mistake(floor)
        if mistake:
            reading.refuse(feature.label, mistake.wrong, mistake.mend)
        if mistake and feature.role == "floor":
            return  # nothing else can be judged
    solid = [feature for feature in reading.features if feature.role in ("obstacle", "decoy")]
    for dock in reading.of("dock"):
        for thing in solid:
            if thing.shape.contains(dock.shape):
                reading.refuse(dock.label, f"stands on {thing.label}", "Move it to free floor")
    _check_decoys(reading, floor)
    for overhang in reading.of("overhang"):
        if overhang.has.clearance_m > overhang.has.height_m:
            wrong = f"{overhang.has.clearance_m:g} m is more than height_m"
            reading.refuse(f"{overhang.label}.clearance_m", wrong, "Give its under side and its top")
    if shapely.union_all([feature.shape for feature in solid]).covers(floor):
        reading.refuse("", "the obstacles leave no free floor", "Check their outlines")


def _check_decoys(reading: _Reading, floor: Polygon) -> None:
    """Check that each decoy lies by itself, and where its approach says."""
    decoys = reading.of("decoy")
    for number, decoy in enumerate(decoys):
        for other in (*reading.of("obstacle"), *decoys[:number]):
            if decoy.shape.intersection(other.shape).area > OVERLAP_M2:
                reading.refuse(decoy.label, f"lies on {other.label}", "Move it to free floor, or correct its outline")
        mistake = approach_mistake(_decoy(decoy), floor)
        if mistake:
            mend = "Correct its outline or the value, or leave approach_deg out"
            reading.refuse(f"{decoy.label}.approach_deg", mistake, mend)


def _room(reading: _Reading) -> Room:
    """Return the values of a reading without mistakes."""
    floor = reading.of("floor")[0]
    dock = reading.of("dock")
    return Room(
        floor=floor.shape,
        floor_tolerance_m=floor.has.tolerance_mm / 1000,
        obstacles=tuple(
            Obstacle(f.has.name, f.shape, f.has.height_m, f.has.tolerance_mm / 1000) for f in reading.of("obstacle")
        ),
        overhangs=tuple(
            Overhang(f.has.name, f.shape, f.has.clearance_m, f.has.height_m) for f in reading.of("overhang")
        ),
        decoys=tuple(_decoy(feature) for feature in reading.of("decoy")),
        zones=tuple(Zone(f.has.name, f.shape) for f in reading.of("zone")),
        markers=tuple(_marker(f) for f in reading.of("marker")),
        dock_m=(dock[0].shape.x, dock[0].shape.y) if dock else None,
    )


def _decoy(feature: _Feature) -> Decoy:
    has: DecoyProperties = feature.has
    return Decoy(has.name, feature.shape, has.height_m, has.approach_deg, has.tolerance_mm / 1000)


def _marker(feature: _Feature) -> Marker:
    has: MarkerProperties = feature.has
    return Marker(
        dictionary=has.dictionary,
        id=has.id,
        centre_m=(feature.shape.x, feature.shape.y),
        side_m=has.side_m,
        turn_deg=has.turn_deg,
        z_m=has.z_m,
        tolerance_m=has.tolerance_mm / 1000,
    )


def write_room(room: Room, path: Path) -> None:
    """Write a room as GeoJSON, to the micrometre, wound as RFC 7946 asks. Raises CannotWrite."""
    content = {"type": "FeatureCollection", "units": "m", "features": list(_written(room))}
    write_file(path, (json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False) + "\n").encode())


def _written(room: Room) -> Iterator[dict[str, Any]]:
    """Yield the features of a room file."""
    yield _feature("floor", room.floor, tolerance_mm=_mm(room.floor_tolerance_m))
    for obstacle in room.obstacles:
        own = {"height_m": obstacle.height_m, "tolerance_mm": _mm(obstacle.tolerance_m)}
        yield _feature("obstacle", obstacle.footprint, name=obstacle.name, **own)
    for overhang in room.overhangs:
        own = {"clearance_m": overhang.clearance_m, "height_m": overhang.height_m}
        yield _feature("overhang", overhang.outline, name=overhang.name, **own)
    for decoy in room.decoys:
        sector = {} if decoy.approach_deg is None else {"approach_deg": decoy.approach_deg}
        own = {"height_m": decoy.height_m, "tolerance_mm": _mm(decoy.tolerance_m), **sector}
        yield _feature("decoy", decoy.footprint, name=decoy.name, **own)
    for zone in room.zones:
        yield _feature("zone", zone.outline, name=zone.name)
    for marker in room.markers:
        own = {"side_m": marker.side_m, "turn_deg": marker.turn_deg, "z_m": marker.z_m}
        own["tolerance_mm"] = _mm(marker.tolerance_m)
        yield _feature("marker", Point(marker.centre_m), dictionary=marker.dictionary, id=marker.id, **own)
    if room.dock_m is not None:
        yield _feature("dock", Point(room.dock_m))


def _feature(role: str, shape: Shape, **properties: Any) -> dict[str, Any]:
    return {
        "type": "Feature",
        "properties": {"role": role, **properties},
        "geometry": geojson(shape),
    }


def _mm(length_m: float) -> float:
    return round(length_m * 1000, 6)
