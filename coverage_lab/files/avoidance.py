"""The shape of `avoidance` and `pen` in `measures.json`: there and back."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from coverage_lab.files.numbers import (
    DEG,
    M2,
    MM,
    PERCENT,
    M,
    S,
    all_rounded,
    fields_from,
    known_quantity,
    quantity_from,
    quantity_to_json,
    rounded,
)
from coverage_lab.measures.values import DecoyFound, Pen, Smear


def avoidance_to_json(found: Sequence[DecoyFound] | None) -> list[dict[str, Any]] | None:
    """Return what was found of each decoy, or null for a run that is no avoidance trial."""
    return None if found is None else [_decoy(one) for one in found]


def pen_to_json(pen: Pen | None) -> dict[str, Any] | None:
    """Return what became of the floor away from decoys."""
    if pen is None:
        return None
    return {
        "beyond_100_percent": quantity_to_json(pen.beyond_100_percent, PERCENT),
        "caution_m2": quantity_to_json(pen.caution_m2, M2),
        "caution_percent": quantity_to_json(pen.caution_percent, PERCENT),
    }


def avoidance_from_json(stored: Sequence[Mapping[str, Any]] | None) -> tuple[DecoyFound, ...] | None:
    """Return what `avoidance_to_json` gave `stored` for, to the decimals stored."""
    return None if stored is None else tuple(_decoy_from(one) for one in stored)


def pen_from_json(stored: Mapping[str, Any] | None) -> Pen | None:
    """Return what `pen_to_json` gave `stored` for, to the decimals stored."""
    if stored is None:
        return None
    return Pen(
        beyond_100_percent=quantity_from(stored["beyond_100_percent"]),
        caution_m2=known_quantity(stored["caution_m2"]),
        caution_percent=known_quantity(stored["caution_percent"]),
    )


def _decoy(one: DecoyFound) -> dict[str, Any]:
    smear = one.smear
    return {
        "decoy": one.decoy,
        "approach_deg": one.approach_deg,
        "verdict": one.verdict,
        "contact_seen": one.contact_seen,
        "nozzle_clearance_mm": quantity_to_json(one.nozzle_clearance_mm, MM),
        "nearest_m": None if one.nearest_m is None else [all_rounded(point, M) for point in one.nearest_m],
        "body_clearance_mm": quantity_to_json(one.body_clearance_mm, MM),
        "body_basis": one.body_basis,
        "profile": [{"bearing_deg": rounded(bearing, DEG), "mm": rounded(away, MM)} for bearing, away in one.profile],
        "approached_percent": rounded(one.approached_percent, PERCENT),
        "rings": {str(width): quantity_to_json(share, PERCENT) for width, share in sorted(one.rings.items())},
        "smear_m": None if smear is None else quantity_to_json(smear.length_m, M),
        "smear_m2": None if smear is None else quantity_to_json(smear.area_m2, M2),
        "contact_t_s": None if smear is None else rounded(smear.contact_t_s, S),
        "later_contacts_t_s": None if smear is None else all_rounded(smear.later_contacts_t_s, S),
    }


def _decoy_from(stored: Mapping[str, Any]) -> DecoyFound:
    nearest = stored["nearest_m"]
    values = {
        "nozzle_clearance_mm": quantity_from(stored["nozzle_clearance_mm"]),
        "nearest_m": None if nearest is None else tuple((x_m, y_m) for x_m, y_m in nearest),
        "body_clearance_mm": quantity_from(stored["body_clearance_mm"]),
        "profile": tuple((step["bearing_deg"], step["mm"]) for step in stored["profile"]),
        "rings": {int(width): quantity_from(share) for width, share in stored["rings"].items()},
        "smear": _smear_from(stored),
    }
    return DecoyFound(**(fields_from(DecoyFound, stored) | values))


def _smear_from(stored: Mapping[str, Any]) -> Smear | None:
    if stored["smear_m"] is None:
        return None
    return Smear(
        contact_t_s=stored["contact_t_s"],
        later_contacts_t_s=tuple(stored["later_contacts_t_s"]),
        length_m=known_quantity(stored["smear_m"]),
        area_m2=known_quantity(stored["smear_m2"]),
    )
