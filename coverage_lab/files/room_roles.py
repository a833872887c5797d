"""What each feature of a room file must and may say of itself, by its role."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from coverage_lab.camera.markers import known_dictionaries
from coverage_lab.files.checking import MistakeError, length_m, length_mm, quoted, suggest


def _dictionary(name: str) -> str:
    if name not in known_dictionaries():
        raise MistakeError(f"{quoted(name)} is no marker dictionary", suggest(name, known_dictionaries()))
    return name


Height = Annotated[float, length_m(0.001, 5)]
Tolerance = Annotated[float, length_mm(0.1, 100, zero=True)]
Name = Annotated[str, Field(min_length=1)]


class Properties(BaseModel):
    """What all features have in common: other programs' properties are passed over."""

    model_config = ConfigDict(extra="ignore", strict=True, frozen=True, allow_inf_nan=False)


class FloorProperties(Properties):
    """The room's floor."""

    tolerance_mm: Tolerance = 3


class ObstacleProperties(Properties):
    """Furniture on the floor."""

    name: Name
    height_m: Height
    tolerance_mm: Tolerance = 3


class OverhangProperties(Properties):
    """A top above free floor."""

    name: Name
    clearance_m: Height
    height_m: Height


class DecoyProperties(Properties):
    """A thing that the robot should not touch."""

    name: Name
    height_m: Height
    approach_deg: Literal[360, 180, 90] | None = None
    tolerance_mm: Tolerance = 3


class ZoneProperties(Properties):
    """A part of the floor."""

    name: Name


class MarkerProperties(Properties):
    """A square marker."""

    dictionary: Annotated[str, AfterValidator(_dictionary)]
    id: Annotated[int, Field(ge=0)]
    side_m: Annotated[float, length_m(0.01, 1)]
    turn_deg: Annotated[float, Field(ge=-360, le=360)]
    z_m: Annotated[float, length_m(0.001, 5, zero=True)] = 0
    tolerance_mm: Annotated[float, length_mm(0.1, 100, zero=True)] = 2


class DockProperties(Properties):
    """Where the robot starts."""


ROLES: dict[str, type[Properties]] = {
    "floor": FloorProperties,
    "obstacle": ObstacleProperties,
    "overhang": OverhangProperties,
    "decoy": DecoyProperties,
    "zone": ZoneProperties,
    "marker": MarkerProperties,
    "dock": DockProperties,
}
SHAPES = {
    "floor": ("Polygon",),
    "obstacle": ("Polygon", "MultiPolygon"),
    "marker": ("Point",),
    "dock": ("Point",),
}
