"""The reviewer's picture of a run: drawn from what is stored, so that it can be drawn again at any time."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from coverage_lab.files.measures import measures_from_json, measures_to_json
from coverage_lab.files.plan import PlanArrays, as_stored
from coverage_lab.files.results import outlines_from, pockets_to_bytes, read_plan, read_run
from coverage_lab.job import Run
from coverage_lab.measures.values import Measures
from coverage_lab.room.grid import ShareArray
from coverage_lab.room.plan import FloorPlan
from coverage_lab.room.room import Room
from coverage_lab.run import MeasuredRun
from coverage_lab.setting import SetUp, lay_out, look
from coverage_lab.show.intime import Growth, RunInTime, Touch
from coverage_lab.show.overlay import draw_overlay, encode_png
from coverage_lab.show.plate import draw_plate
from coverage_lab.show.series import Drawn, draw_series
from coverage_lab.show.track import draw_track


def draw_all(measured: MeasuredRun, arrays: PlanArrays | None) -> Drawn:
    """Return all pictures of a run that was just measured, by the names that they are stored under.

    arrays : the floor as it will be stored. A run of frames with times has growth chart, film, poster and plate too.
    """
    pictures = {"overlay.png": draw(measured)}
    if measured.first_swept is not None:
        pictures["plate.png"] = encode_png(draw_plate(measured.light, measured.plan))
    timing, track = measured.measures.timing, measured.track
    if track is not None and timing is not None and timing.followed_percent:
        drawn = draw_track(measured.measures.key, track, measured.plan, timing.followed_percent)
        pictures["track.png"] = encode_png(drawn)
    if arrays is not None:
        swept, free, hidden = (as_stored(share) for share in (arrays.swept, arrays.free, arrays.hidden))
        kept = replace(arrays, swept=swept, free=free, hidden=hidden)
        numbers = measures_from_json(measures_to_json(replace(measured.measures, pockets=None)), None)
        in_time = draw_in_time(numbers, kept, measured.plan.room)
        return Drawn({**pictures, **in_time.pictures}, in_time.failed)
    return Drawn(pictures)


def draw_in_time(measures: Measures, arrays: PlanArrays, room: Room) -> Drawn:
    """Return growth chart, film and poster of a run, from its stored numbers and floor.

    There are none for a run without frames, or whose frames' times are not known.
    """
    timing, first = measures.timing, arrays.first_swept
    if timing is None or first is None or measures.floor is None or measures.coverage is None:
        return Drawn({})
    growth = Growth.of(timing, measures.floor.visible_m2)
    if not len(growth.t_s) or np.isnan(growth.t_s).any():
        return Drawn({})
    furniture = (*(item.footprint for item in room.obstacles), *(item.footprint for item in room.decoys))
    floor = (arrays.free, arrays.hidden, arrays.swept)
    return draw_series(RunInTime(measures.key, arrays.grid, *floor, first, furniture, growth, _touches(measures, room)))


def _touches(measures: Measures, room: Room) -> tuple[Touch, ...]:
    """Return when the robot touched which decoy, as far as times are known."""
    footprints = {decoy.name: decoy.footprint for decoy in room.decoys}
    found = [
        Touch(one.decoy, footprints[one.decoy], t_s)
        for one in measures.avoidance or ()
        if one.smear is not None and one.decoy in footprints
        for t_s in (one.smear.contact_t_s, *one.smear.later_contacts_t_s)
        if t_s is not None
    ]
    return tuple(sorted(found, key=lambda touch: touch.t_s))


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
