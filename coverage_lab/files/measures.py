"""The shape of `measures.json`: every key always present, unknown = null, units in the keys, shares in percent.

The same numbers give the same bytes: keys stand in the schema's order or sorted, and each kind of number has a
fixed number of decimals, finer than anything it is known to.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import fields
from pathlib import Path
from typing import Any

from coverage_lab.errors import BadInput, Problem
from coverage_lab.files.checking import quoted, read_json
from coverage_lab.job import Quality, Quantity
from coverage_lab.measures.values import (
    CameraFacts,
    Contribution,
    Coverage,
    Edge,
    FloorFacts,
    Measures,
    Pattern,
    Pocket,
)

SCHEMA = "coverage-lab/measures/1"

_PERCENT, _POINTS, _MM, _CM2, _M, _M2, _PX, _DEG, _PART, _SCORE = 3, 4, 2, 2, 4, 6, 4, 2, 4, 2


def measures_to_json(measures: Measures) -> dict[str, Any]:
    """Return a run's numbers in the shape of the schema; passes, time and avoidance are not measured yet."""
    return {
        "schema": SCHEMA,
        "run": {
            "key": measures.key,
            "robot": measures.robot,
            "repeat": measures.repeat,
            "trial": measures.trial,
            "conditions": dict(sorted(measures.conditions.items())),
        },
        "verdict": measures.verdict,
        "reason": measures.reason,
        "quality": [{"code": q.code, "level": q.level, "text": q.text} for q in measures.quality],
        "camera": None if measures.camera is None else _camera(measures.camera),
        "floor": None if measures.floor is None else _floor(measures.floor),
        "coverage": None if measures.coverage is None else _coverage(measures.coverage),
        "edges": None if measures.edges is None else [_edge(edge) for edge in measures.edges],
        "pockets": None if measures.pockets is None else [_pocket(pocket) for pocket in measures.pockets],
        "pattern": None if measures.pattern is None else _pattern(measures.pattern),
        "passes": None,
        "time": None,
        "avoidance": None,
    }


def to_bytes(content: object) -> bytes:
    """Return JSON as our files hold it. Raises ValueError for NaN: a number that is none is never stored."""
    text = json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False)
    # File names that are no Unicode reach us as lone surrogates; escaped they are JSON all the same.
    return f"{text}\n".encode("utf-8", "backslashreplace")


def read_measures(path: Path) -> dict[str, Any]:
    """Return the content of a `measures.json`. Raises BadInput if it is not one that this version knows."""
    content = read_json(path, "Measure the run first")
    schema = content.get("schema") if isinstance(content, dict) else None
    if schema != SCHEMA:
        wrong = f"{quoted(schema)} is not the schema {quoted(SCHEMA)}"
        raise BadInput(Problem(path, "schema", wrong, "Measure the run again"))
    return dict(content)


def _rounded(value: float | None, decimals: int) -> float | None:
    # Adding zero turns −0.0 into 0.0.
    return None if value is None else round(float(value), decimals) + 0.0


def _all(values: Iterable[float], decimals: int) -> list[float | None]:
    return [_rounded(value, decimals) for value in values]


def _quantity(quantity: Quantity | None, decimals: int) -> dict[str, Any] | None:
    if quantity is None:
        return None
    return {
        "value": _rounded(quantity.value, decimals),
        "u": _rounded(quantity.u, decimals),
        "interval_95": _all(quantity.interval_95, decimals),
    }


def _camera(camera: CameraFacts) -> dict[str, Any]:
    return {
        "reprojection_rms_px": _rounded(camera.reprojection_rms_px, _PX),
        "reprojection_rms_mm": _rounded(camera.reprojection_rms_mm, _MM),
        "height_m": _rounded(camera.height_m, _M),
        "centre_m": _all(camera.centre_m, _M),
        "markers_used": camera.markers_used,
        "markers_dropped": list(camera.markers_dropped),
    }


def _floor(floor: FloorFacts) -> dict[str, Any]:
    return {
        "free_m2": _rounded(floor.free_m2, _M2),
        "visible_m2": _rounded(floor.visible_m2, _M2),
        "hidden_m2": _rounded(floor.hidden_m2, _M2),
        "reachable_m2": _rounded(floor.reachable_m2, _M2),
        "fringe_m2": _rounded(floor.fringe_m2, _M2),
    }


def _coverage(coverage: Coverage) -> dict[str, Any]:
    return {
        "percent": _quantity(coverage.percent, _PERCENT),
        "percent_of_reachable": _quantity(coverage.percent_of_reachable, _PERCENT),
        "whole_floor_95": _all(coverage.whole_floor_95, _PERCENT),
        "swept_m2": _quantity(coverage.swept_m2, _M2),
        "bridged_m2": _rounded(coverage.bridged_m2, _M2),
        "zones": {name: _quantity(share, _PERCENT) for name, share in sorted(coverage.zones.items())},
        "contributions": {name: _contribution(part) for name, part in sorted(coverage.contributions.items())},
    }


def _contribution(part: Contribution) -> dict[str, Any]:
    u_mm = _rounded(part.u_mm, _POINTS)
    return {
        "points": _rounded(part.points, _POINTS),
        "shared_by": part.shared_by,
        "u_mm": u_mm,
        "points_per_mm": _rounded(part.points / part.u_mm, _POINTS) if part.u_mm else None,
    }


def _edge(edge: Edge) -> dict[str, Any]:
    return {
        "along": edge.along,
        "bearing_deg": _rounded(edge.bearing_deg, _DEG),
        "mean_mm": _quantity(edge.mean_mm, _MM),
        "p95_mm": _rounded(edge.p95_mm, _MM),
        "share_measured": _rounded(edge.share_measured * 100, _PERCENT),
    }


def _pocket(pocket: Pocket) -> dict[str, Any]:
    return {
        "id": pocket.id,
        "area_cm2": _quantity(pocket.area_cm2, _CM2),
        "diameter_mm": _quantity(pocket.diameter_mm, _MM),
        "pole_m": _all(pocket.pole_m, _M),
        "centroid_m": _all(pocket.centroid_m, _M),
        "place": pocket.place,
        "near": pocket.near,
        "touches_hidden": pocket.touches_hidden,
    }


def _pattern(pattern: Pattern) -> dict[str, Any]:
    return {
        "score": _quantity(pattern.score, _SCORE),
        "label": pattern.label,
        "alignment": _rounded(pattern.alignment, _PART),
        "spacing": _rounded(pattern.spacing, _PART),
        "straightness": _rounded(pattern.straightness, _PART),
    }


def measures_from_json(
    content: Mapping[str, Any], outlines_m: Sequence[tuple[tuple[float, float], ...]] | None = None
) -> Measures:
    """Return the run that `measures_to_json` gave `content` for, to the decimals stored.

    `outlines_m` are the pockets' outlines in the order of their numbers, which are kept in `pockets.geojson`.
    Raises ValueError where there are not as many as pockets.
    """
    run = content["run"]
    edges, pockets = content["edges"], content["pockets"]
    outlines = [()] * len(pockets or ()) if outlines_m is None else outlines_m
    return Measures(
        key=run["key"],
        robot=run["robot"],
        repeat=run["repeat"],
        trial=run["trial"],
        conditions=run["conditions"],
        verdict=content["verdict"],
        reason=content["reason"],
        quality=tuple(Quality(**_fields(Quality, remark)) for remark in content["quality"]),
        camera=_camera_from(content["camera"]),
        floor=None if content["floor"] is None else FloorFacts(**_fields(FloorFacts, content["floor"])),
        coverage=_coverage_from(content["coverage"]),
        edges=None if edges is None else tuple(_edge_from(edge) for edge in edges),
        pockets=None
        if pockets is None
        else tuple(_pocket_from(pocket, outline) for pocket, outline in zip(pockets, outlines, strict=True)),
        pattern=_pattern_from(content["pattern"]),
    )


def _fields(kind: type, stored: Mapping[str, Any]) -> dict[str, Any]:
    """Return what `stored` says of the fields of a dataclass; keys of a later version are left out."""
    return {field.name: stored[field.name] for field in fields(kind) if field.name in stored}


def _quantity_from(stored: Mapping[str, Any] | None) -> Quantity | None:
    return None if stored is None else _known(stored)


def _known(stored: Mapping[str, Any]) -> Quantity:
    low, high = stored["interval_95"]
    return Quantity(stored["value"], stored["u"], (low, high))


def _camera_from(stored: Mapping[str, Any] | None) -> CameraFacts | None:
    if stored is None:
        return None
    tuples = {name: tuple(stored[name]) for name in ("centre_m", "markers_dropped")}
    return CameraFacts(**(_fields(CameraFacts, stored) | tuples))


def _coverage_from(stored: Mapping[str, Any] | None) -> Coverage | None:
    if stored is None:
        return None
    low, high = stored["whole_floor_95"]
    return Coverage(
        percent=_known(stored["percent"]),
        percent_of_reachable=_quantity_from(stored["percent_of_reachable"]),
        whole_floor_95=(low, high),
        swept_m2=_known(stored["swept_m2"]),
        bridged_m2=stored["bridged_m2"],
        zones={name: _quantity_from(share) for name, share in stored["zones"].items()},
        contributions={
            name: Contribution(**_fields(Contribution, part)) for name, part in stored["contributions"].items()
        },
    )


def _edge_from(stored: Mapping[str, Any]) -> Edge:
    values = {"mean_mm": _quantity_from(stored["mean_mm"]), "share_measured": stored["share_measured"] / 100}
    return Edge(**(_fields(Edge, stored) | values))


def _pocket_from(stored: Mapping[str, Any], outline_m: tuple[tuple[float, float], ...]) -> Pocket:
    values = {name: _known(stored[name]) for name in ("area_cm2", "diameter_mm")}
    places = {name: tuple(stored[name]) for name in ("pole_m", "centroid_m")}
    return Pocket(**(_fields(Pocket, stored) | values | places | {"outline_m": outline_m}))


def _pattern_from(stored: Mapping[str, Any] | None) -> Pattern | None:
    return None if stored is None else Pattern(**(_fields(Pattern, stored) | {"score": _known(stored["score"])}))
