"""How passes and time stand in `measures.json`, there and back; and growth as a table."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from typing import Any

from coverage_lab.files.numbers import (
    CM2,
    M2,
    MM,
    PART,
    PERCENT,
    VISITS,
    M,
    S,
    all_rounded,
    fields_from,
    known_quantity,
    quantity_from,
    quantity_to_json,
    rounded,
)
from coverage_lab.measures.values import GrowthPoint, MostDriven, Passes, Timing

_SECONDS = ("duration_s", "duration_u_s", "still_s", "at_dock_s")


def passes_to_json(passes: Passes | None) -> dict[str, Any] | None:
    """Return passes as JSON values."""
    if passes is None:
        return None
    visits, places = passes.visits, passes.most_driven
    return {
        "basis": passes.basis,
        "repeat_ratio": quantity_to_json(passes.repeat_ratio, PART),
        "visits": None if visits is None else {name: rounded(share, PERCENT) for name, share in visits.items()},
        "frame_s": rounded(passes.frame_s, S),
        "most_driven": None if places is None else [_place_to_json(place) for place in places],
    }


def _place_to_json(place: MostDriven) -> dict[str, Any]:
    return {
        "pole_m": all_rounded(place.pole_m, M),
        "diameter_mm": rounded(place.diameter_mm, MM),
        "area_cm2": quantity_to_json(place.area_cm2, CM2),
        "visits": rounded(place.visits, VISITS),
    }


def passes_from_json(stored: Mapping[str, Any] | None) -> Passes | None:
    """Return what `passes_to_json` gave."""
    if stored is None:
        return None
    places = stored.get("most_driven")
    values = {
        "repeat_ratio": quantity_from(stored["repeat_ratio"]),
        "most_driven": None if places is None else tuple(_place_from_json(place) for place in places),
    }
    return Passes(**(fields_from(Passes, stored) | values))


def _place_from_json(stored: Mapping[str, Any]) -> MostDriven:
    values = {"pole_m": tuple(stored["pole_m"]), "area_cm2": known_quantity(stored["area_cm2"])}
    return MostDriven(**(fields_from(MostDriven, stored) | values))


def timing_to_json(timing: Timing | None) -> dict[str, Any] | None:
    """Return a run in time as JSON values."""
    if timing is None:
        return None
    return {
        **{name: rounded(getattr(timing, name), S) for name in _SECONDS[:2]},
        "duration_source": timing.duration_source,
        "frames": timing.frames,
        "growth": [
            {"t_s": rounded(point.t_s, S), "percent": rounded(point.percent, PERCENT), "u": rounded(point.u, PERCENT)}
            for point in timing.growth
        ],
        "time_to_s": {name: rounded(t_s, S) for name, t_s in timing.time_to_s.items()},
        "rate_m2_min": rounded(timing.rate_m2_min, M2),
        **{name: rounded(getattr(timing, name), S) for name in _SECONDS[2:]},
        "distance_m": quantity_to_json(timing.distance_m, M),
        "speed_m_s": rounded(timing.speed_m_s, PART),
        "turns": quantity_to_json(timing.turns, PART),
        "followed_percent": rounded(timing.followed_percent, PERCENT),
    }


def timing_from_json(stored: Mapping[str, Any] | None) -> Timing | None:
    """Return what `timing_to_json` gave."""
    if stored is None:
        return None
    values = {
        "growth": tuple(GrowthPoint(**fields_from(GrowthPoint, point)) for point in stored["growth"]),
        "distance_m": quantity_from(stored["distance_m"]),
        "turns": quantity_from(stored.get("turns")),
    }
    return Timing(**(fields_from(Timing, stored) | values))


def growth_to_bytes(timing: Timing) -> bytes:
    """Return growth as CSV (RFC 4180): a row per frame."""
    table = io.StringIO()
    writer = csv.writer(table)
    writer.writerow(["frame", "t_s", "coverage_percent", "u_points"])
    for number, point in enumerate(timing.growth, start=1):
        t_s = "" if point.t_s is None else f"{point.t_s:.3f}"
        writer.writerow([number, t_s, f"{point.percent:.3f}", f"{point.u:.3f}"])
    return table.getvalue().encode()
