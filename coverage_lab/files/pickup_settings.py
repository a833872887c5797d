"""Read `pickup.toml`: floors, soils, balance and tolerances of the soil tests."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from typing import Annotated, Any

from pydantic import AfterValidator, BeforeValidator, Field

from coverage_lab.errors import BadInput, Problem
from coverage_lab.files.checking import MistakeError, Strict, check, read_toml, suggest
from coverage_lab.pickup.settings import DEFAULTS, HAIR_G_M2, PickupSettings, Soil

NAME = "pickup.toml"


def _within(low: str, high: str, unit: str) -> AfterValidator:
    def check_size(value: Decimal) -> Decimal:
        if not Decimal(low) <= value <= Decimal(high):
            raise MistakeError(f"{value} {unit} is out of range", f"Give {low} to {high} {unit}")
        return value

    return AfterValidator(check_size)


def _written(value: Any) -> Any:
    """Take a number as it was written: the shortest decimal of a float is what stands in the file."""
    return Decimal(repr(value)) if isinstance(value, int | float) and not isinstance(value, bool) else value


_Number = Annotated[Decimal, BeforeValidator(_written)]
_Density = Annotated[_Number, _within("0.1", "2000", "g/m²")]


class _Balance(Strict):
    resolution_g: Annotated[_Number, _within("0.0001", "1", "g")] = DEFAULTS.resolution_g
    repeatability_g: Annotated[_Number, _within("0.0001", "5", "g")] = DEFAULTS.repeatability_g


class _Dose(Strict):
    tolerance_percent: Annotated[_Number, _within("0.1", "20", "%")] = DEFAULTS.tolerance_percent
    loss_g: Annotated[_Number, _within("0", "5", "g")] = DEFAULTS.loss_g


class _Soil(Strict):
    repeats: Annotated[int, Field(ge=1, le=30)] = 3
    density_g_m2: dict[str, _Density] = Field(default_factory=dict)


class _File(Strict):
    balance: _Balance = _Balance()
    dose: _Dose = _Dose()
    floors: Annotated[dict[str, _Density], Field(min_length=1)] = Field(default_factory=lambda: dict(DEFAULTS.floors))
    soils: dict[str, _Soil] | None = None


def read_pickup_settings(folder: Path) -> PickupSettings:
    """Return what `pickup.toml` in `folder`, else in the folder above it, says; the defaults where there is none.

    Floors and soils, where they are given, take the place of all default ones. Raises BadInput with every mistake.
    """
    path = next((place / NAME for place in (folder, folder.resolve().parent) if (place / NAME).is_file()), None)
    if path is None:
        return DEFAULTS
    found: list[Problem] = []
    table = check(_File, read_toml(path, ""), path, "", found)
    settings = None if table is None else _settings(table)
    if settings is not None:
        found.extend(_unknown_floors(path, settings))
    if settings is None or found:
        raise BadInput(found)
    return settings


def _settings(table: _File) -> PickupSettings:
    own = {name: Soil(soil.repeats, soil.density_g_m2) for name, soil in (table.soils or {}).items()}
    return PickupSettings(
        floors=table.floors,
        soils=own or _default_soils(table.floors),
        resolution_g=table.balance.resolution_g,
        repeatability_g=table.balance.repeatability_g,
        tolerance_percent=table.dose.tolerance_percent,
        loss_g=table.dose.loss_g,
    )


def _default_soils(floors: Iterable[str]) -> dict[str, Soil]:
    """Return the default soils; one with a density of its own has it on these floors too."""
    return {
        name: replace(soil, density_g_m2=dict.fromkeys(floors, HAIR_G_M2)) if soil.density_g_m2 else soil
        for name, soil in DEFAULTS.soils.items()
    }


def _unknown_floors(path: Path, settings: PickupSettings) -> Iterator[Problem]:
    for name, soil in settings.soils.items():
        for floor in soil.density_g_m2.keys() - settings.floors.keys():
            field = f"soils.{name}.density_g_m2.{floor}"
            yield Problem(path, field, "is none of the floors", suggest(floor, settings.floors))
