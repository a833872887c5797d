"""Write and read `<season>/pickup/<sheet>.json`: what a scored sheet of soil tests says."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any

from coverage_lab.errors import BadInput, Problem
from coverage_lab.files.numbers import PERCENT, fields_from, quantity_from, quantity_to_json, rounded
from coverage_lab.files.store import write_file
from coverage_lab.job import Quality
from coverage_lab.pickup.values import Balance, PickupResult, PickupRun, PickupSummary

SCHEMA = "coverage-lab/pickup/1"
_AGAIN = "Score the sheet again with this version"


def is_pickup(content: Any) -> bool:
    """Say whether a season's document is one of soil tests."""
    return isinstance(content, Mapping) and content.get("schema") == SCHEMA


def write_pickup(result: PickupResult, path: Path) -> None:
    """Store what a sheet says. Raises CannotWrite; a former file is then untouched."""
    write_file(path, (json.dumps(pickup_to_json(result), indent=1, ensure_ascii=False) + "\n").encode())


def pickup_to_json(result: PickupResult) -> dict[str, Any]:
    """Return the content of the document; numbers to fixed decimals."""
    return {
        "schema": SCHEMA,
        "sheet": result.sheet,
        "balance": asdict(result.balance),
        "loss_g": result.loss_g,
        "floors": list(result.floors),
        "soils": list(result.soils),
        "repeated_soils": list(result.repeated_soils),
        "runs": [_run(run) for run in result.runs],
        "summaries": [_summary(one) for one in result.summaries],
        "quality": [asdict(one) for one in result.quality],
    }


def pickup_from_json(content: Any, path: Path | None = None) -> PickupResult:
    """Return what `pickup_to_json` gave `content` for; `path` is what errors are told of. Raises BadInput."""
    if not is_pickup(content):
        schema = content.get("schema") if isinstance(content, Mapping) else None
        raise BadInput(Problem(path, "schema", f"is {schema!r}, not {SCHEMA!r}", _AGAIN))
    try:
        return PickupResult(
            sheet=content["sheet"],
            balance=Balance(**fields_from(Balance, content["balance"])),
            loss_g=content["loss_g"],
            floors=tuple(content["floors"]),
            soils=tuple(content["soils"]),
            repeated_soils=tuple(content["repeated_soils"]),
            runs=tuple(_run_from(run) for run in content["runs"]),
            summaries=tuple(_summary_from(one) for one in content["summaries"]),
            quality=_quality_from(content["quality"]),
        )
    except KeyError as error:
        raise BadInput(Problem(path, str(error.args[0]), "is missing", _AGAIN)) from None
    except (TypeError, ValueError, AttributeError):
        raise BadInput(Problem(path, "", "is no document of soil tests", _AGAIN)) from None


def _run(run: PickupRun) -> dict[str, Any]:
    return {
        **{field: getattr(run, field) for field in ("run", "robot", "floor", "soil", "repeat", "dosed_g", "picked_g")},
        "pickup_percent": quantity_to_json(run.pickup_percent, PERCENT),
        "counted": run.counted,
        "reason": run.reason,
        "quality": [asdict(one) for one in run.quality],
        "conditions": dict(run.conditions),
        "note": run.note,
    }


def _run_from(stored: Mapping[str, Any]) -> PickupRun:
    return PickupRun(
        **fields_from(PickupRun, stored)
        | {
            "pickup_percent": quantity_from(stored["pickup_percent"]),
            "quality": _quality_from(stored["quality"]),
        }
    )


def _summary(one: PickupSummary) -> dict[str, Any]:
    return {
        "robot": one.robot,
        "floor": one.floor,
        "soil": one.soil,
        "n": one.n,
        "mean_percent": rounded(one.mean_percent, PERCENT),
        "sd_points": rounded(one.sd_points, PERCENT),
        "pickup_percent": quantity_to_json(one.pickup_percent, PERCENT),
        "indicative": one.indicative,
        "doubtful": one.doubtful,
    }


def _summary_from(stored: Mapping[str, Any]) -> PickupSummary:
    return PickupSummary(
        **fields_from(PickupSummary, stored) | {"pickup_percent": quantity_from(stored["pickup_percent"])}
    )


def _quality_from(stored: list[Mapping[str, Any]]) -> tuple[Quality, ...]:
    return tuple(Quality(**fields_from(Quality, one)) for one in stored)
