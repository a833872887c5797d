"""From pictures of a calibration board to a lens."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from coverage_lab.camera.board import find_board, is_mirrored
from coverage_lab.camera.calibrate import BoardView, Calibration, calibrate
from coverage_lab.errors import BadInput, Problem, Refused, UnreadableFrame
from coverage_lab.frames.read import read_frame


def calibrate_from(
    pictures: Sequence[Path], chessboard: tuple[int, int] | None = None
) -> tuple[Calibration, list[BoardView], tuple[Problem, ...]]:
    """Return the calibration, the views it was made from, and what was wrong with pictures that gave none.

    Raises BadInput for pictures of different sizes, and Refused, with what to shoot next, where they cannot tell the
    lens.
    """
    views: list[BoardView] = []
    problems: list[Problem] = []
    first: tuple[Path, tuple[int, int]] | None = None
    for path in pictures:
        try:
            light = read_frame(path).light
        except UnreadableFrame as error:
            problems += error.problems
            continue
        size = (light.shape[1], light.shape[0])
        first = first or (path, size)
        if size != first[1]:
            wrong = f"is {size[0]} × {size[1]} pixels, {first[0].name} is {first[1][0]} × {first[1][1]}"
            raise BadInput(Problem(path, "", wrong, "Use pictures of one camera at one size, uncropped"))
        view = find_board(light, path.name, chessboard)
        if view is not None:
            views.append(view)
        elif chessboard is None and is_mirrored(light):
            problems.append(Problem(path, "", "shows the board mirrored", "Switch mirroring off in the camera"))
        else:
            wrong = "shows no board, or too little of it"
            problems.append(Problem(path, "", wrong, "Shoot it again: sharp, evenly lit, the whole board if it fits"))
    if first is None:
        raise BadInput(problems or Problem(None, "PICTURES", "there are none", "Give pictures of the board"))
    try:
        found = calibrate(views, first[1])
    except Refused as refusal:
        raise Refused([*problems, *refusal.problems]) from None
    return found, views, tuple(problems)


def found_values(found: Calibration) -> dict[str, Any]:
    """Return what a calibration found beside the lens itself, for its file."""
    return {
        "reprojection_rms_px": round(found.rms_px, 4),
        "standard_uncertainty": {name: round(u, 8) for name, u in found.u.items()},
        "pictures_rms_px": {name: round(rms, 4) for name, rms in found.view_rms_px.items()},
        "left_out_rms_px": {name: round(rms, 4) for name, rms in found.left_out.items()},
        "models_rms_px": {name: round(rms, 4) for name, rms in found.model_rms_px.items()},
    }
