"""Read and write `lens.json`, a lens calibration. Layout of the numbers as in OpenCV."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from coverage_lab.camera.model import COEFFICIENTS, Lens, LensModel
from coverage_lab.errors import BadInput, Problem
from coverage_lab.files.checking import MistakeError, check, quoted, read_json
from coverage_lab.files.store import write_file

SCHEMA = "coverage-lab/lens/1"

_LONGEST_FOCAL_WIDTHS = 20.0  # focal length in picture widths; a long telephoto lens has about ten
_SHORTEST_FOCAL_WIDTHS = 0.1

Row = Annotated[list[float], Field(min_length=3, max_length=3)]


def _schema(name: str) -> str:
    if name != SCHEMA:
        raise MistakeError(f"{quoted(name)} is not a lens file this version knows", f'Write "{SCHEMA}"')
    return name


class _LensFile(BaseModel):
    # Further keys (spreads, reprojection_rms_px) are for people; they change nothing here.
    model_config = ConfigDict(extra="ignore", strict=True, frozen=True, allow_inf_nan=False)

    format: Annotated[str, AfterValidator(_schema), Field(alias="schema")]
    source: Literal["jpeg", "raw"]
    model: LensModel
    image_size: Annotated[list[Annotated[int, Field(gt=0)]], Field(min_length=2, max_length=2)]
    camera_matrix: Annotated[list[Row], Field(min_length=3, max_length=3)]
    distortion: list[float]


def read_lens(path: Path) -> Lens:
    """Return the lens that a `lens.json` describes. Raises BadInput with every mistake found."""
    found: list[Problem] = []
    table = check(_LensFile, read_json(path, "Calibrate the lens, or take it out of night.toml"), path, "", found)
    if table is not None:
        found.extend(_doubts(path, table))
    if found or table is None:
        raise BadInput(found)
    width, height = table.image_size
    return Lens(
        image_size=(width, height),
        matrix=np.array(table.camera_matrix),
        distortion=np.array(table.distortion),
        source=table.source,
        model=table.model,
    )


def _doubts(path: Path, table: _LensFile) -> list[Problem]:
    """Return what cannot be true of the numbers together."""
    (fx, skew, cx), (below, fy, cy), last = table.camera_matrix
    width, height = table.image_size
    found = []
    if skew or below or last != [0, 0, 1]:
        found.append("must be [[fx, 0, cx], [0, fy, cy], [0, 0, 1]]")
    if not all(_SHORTEST_FOCAL_WIDTHS < focal / width < _LONGEST_FOCAL_WIDTHS for focal in (fx, fy)):
        found.append(f"a focal length of {fx:g} or {fy:g} pixels does not fit pictures {width} pixels wide")
    if not (0 < cx < width and 0 < cy < height):
        found.append(f"the principal point ({cx:g}, {cy:g}) lies outside the picture of {width} × {height}")
    problems = [Problem(path, "camera_matrix", wrong, "Calibrate again, or check image_size") for wrong in found]
    wanted = COEFFICIENTS[table.model]
    if len(table.distortion) != wanted:
        wrong = f"has {len(table.distortion)} coefficients; the model {table.model} has {wanted}"
        problems.append(Problem(path, "distortion", wrong, "Calibrate again, or correct the model"))
    return problems


def write_lens(lens: Lens, path: Path, *, found: Mapping[str, Any] | None = None) -> None:
    """Write a lens as `lens.json`; `read_lens` gives it back exactly.

    found : what else a calibration found (spreads, residuals), JSON values for people to read. Raises CannotWrite.
    """
    content = {
        "schema": SCHEMA,
        "source": lens.source,
        "model": lens.model,
        "image_size": list(lens.image_size),
        "camera_matrix": lens.matrix.tolist(),
        "distortion": lens.distortion.tolist(),
        **(found or {}),
    }
    write_file(path, (json.dumps(content, indent=1, allow_nan=False) + "\n").encode())
