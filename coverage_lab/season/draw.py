"""The reviewer's picture of a run: drawn from what is stored, so that it can be drawn again at any time."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from coverage_lab.files.measures import measures_from_json, measures_to_json
from coverage_lab.files.plan import as_stored
from coverage_lab.files.results import outlines_from, pockets_to_bytes, read_plan, read_run
from coverage_lab.job import Run
from coverage_lab.measures.values import Measures
from coverage_lab.room.grid import ShareArray
from coverage_lab.room.plan import FloorPlan
from coverage_lab.run import MeasuredRun, SetUp, lay_out, look
from coverage_lab.show.overlay import draw_overlay, encode_png


def draw(measured: MeasuredRun) -> bytes:
    """Return the annotated picture of a run that was just measured, as PNG."""
    numbers = measured.measures
    outlines = None if numbers.pockets is None else outlines_from(json.loads(pockets_to_bytes(numbers.pockets)))
    # Numbers, outlines and shares are rounded when they are stored: drawn so, the picture can be drawn again.
    kept = measures_from_json(measures_to_json(numbers), outlines)
    swept = None if measured.swept is None else as_stored(measured.swept.share)
    between, smeared = (None if share is None else as_stored(share) for share in (measured.bridged, measured.smeared))
    return _png(measured.light, measured.plan, swept, between, smeared, kept)


def draw_again(run: Run, setting: SetUp, folder: Path) -> bytes:
    """Return the same picture, pixel by pixel, from a run's results `folder` and its frame.

    Raises BadInput if the results are missing or broken, UnreadableFrame for the frame.
    """
    measures = read_run(folder)
    plan = lay_out(setting, setting.night.robots[run.robot])
    stored = None if measures.coverage is None else read_plan(folder / "plan.npz")
    swept, between, smeared = (None, None, None) if stored is None else (stored.swept, stored.bridged, stored.smeared)
    return _png(look(run, setting, plan).light, plan, swept, between, smeared, measures)


def _png(
    view: NDArray[np.float32],
    plan: FloorPlan,
    swept: ShareArray | None,
    between: ShareArray | None,
    smeared: ShareArray | None,
    measures: Measures,
) -> bytes:
    return encode_png(draw_overlay(view, plan, swept, measures, bridged_share=between, smeared_share=smeared))
