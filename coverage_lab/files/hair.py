"""Write `<name>-hair.json`: how much hair a pass left on a test bed."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from coverage_lab.files.numbers import PERCENT, PX, all_rounded, quantity_to_json, rounded
from coverage_lab.pickup.hair import Hair
from coverage_lab.pickup.register import Registration
from coverage_lab.pickup.values import SINGLE_RUN

SCHEMA = "coverage-lab/hair/1"


def is_hair(content: Any) -> bool:
    """Say whether a season's document is one of hair on a bed."""
    return isinstance(content, Mapping) and content.get("schema") == SCHEMA


def hair_to_json(found: Hair, how: Registration, names: tuple[str, str]) -> dict[str, Any]:
    """Return the content of the file; shares are percent of the bed that both pictures show."""
    return {
        "schema": SCHEMA,
        "standing": SINGLE_RUN,
        "before": names[0],
        "after": names[1],
        "residual_percent": quantity_to_json(found.residual_percent, PERCENT),
        "before_percent": rounded(found.before_percent, PERCENT),
        "after_percent": rounded(found.after_percent, PERCENT),
        "clumps_before_percent": all_rounded(found.clumps_before, PERCENT),
        "clumps_after_percent": all_rounded(found.clumps_after, PERCENT),
        "floor_as_hair_percent": rounded(found.false_percent, PERCENT),
        "laid_by": how.basis,
        "laid_rms_px": rounded(how.rms_px, PX),
    }


def hair_bytes(found: Hair, how: Registration, names: tuple[str, str]) -> bytes:
    """Return the file."""
    return (json.dumps(hair_to_json(found, how, names), indent=1, ensure_ascii=False) + "\n").encode()
