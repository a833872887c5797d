"""How numbers stand in our JSON files: each kind to a fixed number of decimals, a measurand with its interval."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import fields
from typing import Any

from coverage_lab.job import Quantity

PERCENT, POINTS, MM, CM2, M, M2, PX, DEG, PART, SCORE, S, VISITS = 3, 4, 2, 2, 4, 6, 4, 2, 4, 2, 3, 1


def rounded(value: float | None, decimals: int) -> float | None:
    """Return a number to so many decimals."""
    # Adding zero turns −0.0 into 0.0.
    return None if value is None else round(float(value), decimals) + 0.0


def all_rounded(values: Iterable[float], decimals: int) -> list[float | None]:
    """Return numbers to so many decimals."""
    return [rounded(value, decimals) for value in values]


def quantity_to_json(quantity: Quantity | None, decimals: int) -> dict[str, Any] | None:
    """Return a measurand as files hold it."""
    if quantity is None:
        return None
    return {
        "value": rounded(quantity.value, decimals),
        "u": rounded(quantity.u, decimals),
        "interval_95": all_rounded(quantity.interval_95, decimals),
    }


def fields_from(kind: type, stored: Mapping[str, Any]) -> dict[str, Any]:
    """Return what `stored` says of the fields of a dataclass; keys of a later version are left out."""
    return {field.name: stored[field.name] for field in fields(kind) if field.name in stored}


def quantity_from(stored: Mapping[str, Any] | None) -> Quantity | None:
    """Return a measurand as `quantity_to_json` gave it, or None."""
    return None if stored is None else known_quantity(stored)


def known_quantity(stored: Mapping[str, Any]) -> Quantity:
    """Return a measurand that is not null."""
    low, high = stored["interval_95"]
    return Quantity(stored["value"], stored["u"], (low, high))
