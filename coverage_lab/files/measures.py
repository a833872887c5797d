"""The shape of `measures.json`: every key always present, unknown = null, units in the keys, shares in percent.

The same numbers give the same bytes: keys stand in the schema's order or sorted, and each kind of number has a
fixed number of decimals, finer than anything it is known to.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from coverage_lab.errors import BadInput, Problem
from coverage_lab.files.avoidance import avoidance_from_json, avoidance_to_json, pen_from_json, pen_to_json
from coverage_lab.files.checking import quoted, read_json
from coverage_lab.files.numbers import (
    CM2,
    DEG,
    M2,
    MM,
    PART,
    PERCENT,
    POINTS,
    PX,
    SCORE,
    M,
    all_rounded,
    fields_from,
    known_quantity,
    quantity_from,
    quantity_to_json,
    rounded,
)
from coverage_lab.files.timing import passes_from_json, passes_to_json, timing_from_json, timing_to_json
from coverage_lab.job import Quality
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


def measures_to_json(measures: Measures) -> dict[str, Any]:
    """Return a run's numbers in the shape of the schema."""
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
        "passes": passes_to_json(measures.passes),
        "time": timing_to_json(measures.timing),
        "avoidance": avoidance_to_json(measures.avoidance),
        "pen": pen_to_json(measures.pen),
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


def _camera(camera: CameraFacts) -> dict[str, Any]:
    return {
        "reprojection_rms_px": rounded(camera.reprojection_rms_px, PX),
        "reprojection_rms_mm": rounded(camera.reprojection_rms_mm, MM),
        "height_m": rounded(camera.height_m, M),
        "centre_m": all_rounded(camera.centre_m, M),
        "markers_used": camera.markers_used,
        "markers_dropped": list(camera.markers_dropped),
    }


def _floor(floor: FloorFacts) -> dict[str, Any]:
    return {
        "free_m2": rounded(floor.free_m2, M2),
        "visible_m2": rounded(floor.visible_m2, M2),
        "hidden_m2": rounded(floor.hidden_m2, M2),
        "reachable_m2": rounded(floor.reachable_m2, M2),
        "fringe_m2": rounded(floor.fringe_m2, M2),
    }


def _coverage(coverage: Coverage) -> dict[str, Any]:
    return {
        "percent": quantity_to_json(coverage.percent, PERCENT),
        "percent_of_reachable": quantity_to_json(coverage.percent_of_reachable, PERCENT),
        "whole_floor_95": all_rounded(coverage.whole_floor_95, PERCENT),
        "swept_m2": quantity_to_json(coverage.swept_m2, M2),
        "bridged_m2": rounded(coverage.bridged_m2, M2),
        "zones": {name: quantity_to_json(share, PERCENT) for name, share in sorted(coverage.zones.items())},
        "contributions": {name: _contribution(part) for name, part in sorted(coverage.contributions.items())},
    }


def _contribution(part: Contribution) -> dict[str, Any]:
    u_mm = rounded(part.u_mm, POINTS)
    return {
        "points": rounded(part.points, POINTS),
        "shared_by": part.shared_by,
        "u_mm": u_mm,
        "points_per_mm": rounded(part.points / part.u_mm, POINTS) if part.u_mm else None,
    }


def _edge(edge: Edge) -> dict[str, Any]:
    return {
        "along": edge.along,
        "bearing_deg": rounded(edge.bearing_deg, DEG),
        "mean_mm": quantity_to_json(edge.mean_mm, MM),
        "p95_mm": rounded(edge.p95_mm, MM),
        "share_measured": rounded(edge.share_measured * 100, PERCENT),
    }


def _pocket(pocket: Pocket) -> dict[str, Any]:
    return {
        "id": pocket.id,
        "area_cm2": quantity_to_json(pocket.area_cm2, CM2),
        "diameter_mm": quantity_to_json(pocket.diameter_mm, MM),
        "pole_m": all_rounded(pocket.pole_m, M),
        "centroid_m": all_rounded(pocket.centroid_m, M),
        "place": pocket.place,
        "near": pocket.near,
        "touches_hidden": pocket.touches_hidden,
    }


def _pattern(pattern: Pattern) -> dict[str, Any]:
    return {
        "score": quantity_to_json(pattern.score, SCORE),
        "label": pattern.label,
        "alignment": rounded(pattern.alignment, PART),
        "spacing": rounded(pattern.spacing, PART),
        "straightness": rounded(pattern.straightness, PART),
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
        quality=tuple(Quality(**fields_from(Quality, remark)) for remark in content["quality"]),
        camera=_camera_from(content["camera"]),
        floor=None if content["floor"] is None else FloorFacts(**fields_from(FloorFacts, content["floor"])),
        coverage=_coverage_from(content["coverage"]),
        edges=None if edges is None else tuple(_edge_from(edge) for edge in edges),
        pockets=None
        if pockets is None
        else tuple(_pocket_from(pocket, outline) for pocket, outline in zip(pockets, outlines, strict=True)),
        pattern=_pattern_from(content["pattern"]),
        passes=passes_from_json(content["passes"]),
        timing=timing_from_json(content["time"]),
        avoidance=avoidance_from_json(content["avoidance"]),
        pen=pen_from_json(content.get("pen")),
    )


def _camera_from(stored: Mapping[str, Any] | None) -> CameraFacts | None:
    if stored is None:
        return None
    tuples = {name: tuple(stored[name]) for name in ("centre_m", "markers_dropped")}
    return CameraFacts(**(fields_from(CameraFacts, stored) | tuples))


def _coverage_from(stored: Mapping[str, Any] | None) -> Coverage | None:
    if stored is None:
        return None
    low, high = stored["whole_floor_95"]
    return Coverage(
        percent=known_quantity(stored["percent"]),
        percent_of_reachable=quantity_from(stored["percent_of_reachable"]),
        whole_floor_95=(low, high),
        swept_m2=known_quantity(stored["swept_m2"]),
        bridged_m2=stored["bridged_m2"],
        zones={name: quantity_from(share) for name, share in stored["zones"].items()},
        contributions={
            name: Contribution(**fields_from(Contribution, part)) for name, part in stored["contributions"].items()
        },
    )


def _edge_from(stored: Mapping[str, Any]) -> Edge:
    values = {"mean_mm": quantity_from(stored["mean_mm"]), "share_measured": stored["share_measured"] / 100}
    return Edge(**(fields_from(Edge, stored) | values))


def _pocket_from(stored: Mapping[str, Any], outline_m: tuple[tuple[float, float], ...]) -> Pocket:
    values = {name: known_quantity(stored[name]) for name in ("area_cm2", "diameter_mm")}
    places = {name: tuple(stored[name]) for name in ("pole_m", "centroid_m")}
    return Pocket(**(fields_from(Pocket, stored) | values | places | {"outline_m": outline_m}))


def _pattern_from(stored: Mapping[str, Any] | None) -> Pattern | None:
    return (
        None
        if stored is None
        else Pattern(**(fields_from(Pattern, stored) | {"score": known_quantity(stored["score"])}))
    )
