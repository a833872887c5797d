"""GeoJSON geometries and what can be wrong with them, in words for the person who drew them."""

from __future__ import annotations

import re
from typing import Any, TypeAlias

import shapely
from shapely import MultiPolygon, Point, Polygon

from coverage_lab.files.checking import MistakeError, quoted

Shape: TypeAlias = Point | Polygon | MultiPolygon

BEYOND_FLOOR_M = 0.005  # an outline may be drawn this far beyond the wall
MARKER_BEYOND_FLOOR_M = 1.0  # markers may lie in a doorway
_SMALLEST_ROOM_M = 0.5
_LARGEST_ROOM_M = 50.0
_NO_SLIVER_M2 = 1e-9


def parse(raw: Any, kinds: tuple[str, ...]) -> Shape:
    """Return a GeoJSON geometry of one of `kinds` as a shape; polygons have counter-clockwise outlines.

    Heights (third coordinates) are ignored. Raises MistakeError.
    """
    kind = raw.get("type") if isinstance(raw, dict) else None
    if kind not in kinds:
        wanted = " or ".join(kinds)
        raise MistakeError(f"its geometry is {quoted(kind)} and not a {wanted}", f"Draw it as {wanted}")
    coordinates = raw.get("coordinates")
    if kind == "Point":
        return Point(_position(coordinates))
    polygons = [_polygon(rings) for rings in (coordinates if kind == "MultiPolygon" else [coordinates]) or []]
    if not polygons:
        raise MistakeError("its geometry is empty", "Draw its outline")
    shape: Shape = polygons[0] if kind == "Polygon" else MultiPolygon(polygons)
    _check_valid(shape)
    turned: Shape = shapely.orient_polygons(shape)
    return turned


def _polygon(rings: Any) -> Polygon:
    if not isinstance(rings, list) or not rings:
        raise MistakeError("its geometry is empty", "Draw its outline")
    outlines = [_ring(ring) for ring in rings]
    return Polygon(outlines[0], outlines[1:])


def _ring(ring: Any) -> list[tuple[float, float]]:
    if not isinstance(ring, list) or len(ring) < 4:
        raise MistakeError("its outline has fewer than four positions", "Give three corners and the first again")
    points = [_position(position) for position in ring]
    if points[0] != points[-1]:
        raise MistakeError("its outline is not closed", "Repeat the first position at the end")
    return points


def _position(raw: Any) -> tuple[float, float]:
    numbers = isinstance(raw, list) and all(
        isinstance(part, int | float) and not isinstance(part, bool) for part in raw
    )
    if not numbers or not 2 <= len(raw) <= 3 or not all(abs(part) < 1e9 for part in raw):
        raise MistakeError(f"{quoted(raw)} is not a position", "Write [east, north] in metres")
    return float(raw[0]), float(raw[1])


def _check_valid(shape: Shape) -> None:
    if shapely.is_valid(shape):
        return
    reason = shapely.is_valid_reason(shape)
    where = re.search(r"\[(\S+) (\S+)\]", reason)
    place = f" at ({float(where[1]):.3f}, {float(where[2]):.3f}) m" if where else ""
    if "Self-intersection" in reason:
        raise MistakeError(f"its outline crosses itself{place}", "Put the corners in order around it")
    raise MistakeError(f"its outline is not sound: {reason.split('[')[0].lower()}{place}", "Draw it again")


def geojson(shape: Shape) -> dict[str, Any]:
    """Return a shape as a GeoJSON geometry to the micrometre, wound as RFC 7946, 3.1.6 asks."""
    if isinstance(shape, Point):
        return {"type": "Point", "coordinates": _rounded(shape)[0]}
    shape = shapely.orient_polygons(shape)
    if isinstance(shape, Polygon):
        return {"type": "Polygon", "coordinates": _rings(shape)}
    return {"type": "MultiPolygon", "coordinates": [_rings(part) for part in shape.geoms]}


def _rings(polygon: Polygon) -> list[list[list[float]]]:
    return [_rounded(ring) for ring in (polygon.exterior, *polygon.interiors)]


def _rounded(line: Any) -> list[list[float]]:
    # Adding zero turns −0.0 into 0.0, so that equal places have equal bytes.
    return [[round(x_m, 6) + 0.0, round(y_m, 6) + 0.0] for x_m, y_m in shapely.get_coordinates(line).tolist()]


def floor_mistake(floor: Polygon) -> MistakeError | None:
    """Return what is wrong with the floor by itself: holes, or a size that is that of another unit."""
    west, south, east, north = floor.bounds
    extent = max(east - west, north - south)
    size = f"the floor is {extent:g} m long"
    # A room in degrees is far from (0, 0) and some hundred-thousandths of a degree long.
    if extent < _SMALLEST_ROOM_M:
        if max(abs(west), abs(east)) <= 180 and max(abs(south), abs(north)) <= 90 and extent < 0.02:
            return MistakeError(f"{size}, which looks like degrees", "Give metres from the south-west corner")
        return MistakeError(f"{size}, too small for a room", "Give coordinates in metres")
    if extent > _LARGEST_ROOM_M:
        unit = next(
            (
                name
                for name, size_m in (("millimetres", 0.001), ("centimetres", 0.01))
                if _SMALLEST_ROOM_M <= extent * size_m <= _LARGEST_ROOM_M
            ),
            "another unit",
        )
        return MistakeError(f"{size}, which looks like {unit}", "Give coordinates in metres")
    if floor.interiors:
        return MistakeError("the floor has a hole", "Draw what stands there as an obstacle")
    return None


def outside(shape: Shape, floor: Polygon) -> MistakeError | None:
    """Return where a shape reaches beyond the floor by more than a drawing's tolerance, or None."""
    beyond = shapely.difference(shape, floor.buffer(BEYOND_FLOOR_M, join_style="mitre"))
    if beyond.is_empty or (beyond.area < _NO_SLIVER_M2 and not isinstance(shape, Point)):
        return None
    point = beyond.representative_point()
    far_m = shapely.hausdorff_distance(shapely.union(beyond, floor), floor)
    wholly = "outside" if shape.disjoint(floor) else f"partly outside, by up to {far_m * 1000:.0f} mm,"
    return MistakeError(
        f"lies {wholly} the floor at ({point.x:.3f}, {point.y:.3f}) m", "Correct it, or the floor's outline"
    )


def marker_outside(marker: Point, floor: Polygon) -> MistakeError | None:
    """Return how far a marker lies from the floor if that is farther than a doorway, or None."""
    far_m = floor.distance(marker)
    if far_m <= MARKER_BEYOND_FLOOR_M:
        return None
    unit = ", which looks like millimetres" if far_m > _LARGEST_ROOM_M else ""
    return MistakeError(f"lies {far_m:.2f} m outside the floor{unit}", "Give its centre in metres")
