"""Avoidance trials as a whole: verdicts, what was seen, the pen, smear."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely import LineString, Point, box

from coverage_lab.job import Bar, Quantity, Robot
from coverage_lab.measures.avoidance import Drive, measure_avoidance
from coverage_lab.measures.body import TOO_NEAR_M, Followed
from coverage_lab.measures.budget import Nodes, Sources
from coverage_lab.measures.pen import measure_pen
from coverage_lab.measures.pockets import find_pockets
from coverage_lab.measures.smear import smeared_area, smeared_share
from coverage_lab.measures.values import DecoyFound
from coverage_lab.measures.verdict import Seen, contact_remarks, measured_verdict, verdict_of
from coverage_lab.room.field import field_of_track
from coverage_lab.room.grid import FloorGrid
from coverage_lab.room.plan import floor_plan
from coverage_lab.room.room import Decoy, Room
from coverage_lab.room.track import LaidTrack, Pace, Track, in_steps

PEN = box(0, 0, 2.0, 1.6)
PUCK = Decoy("puck", Point(1.0, 0.8).buffer(0.04, quad_segs=32), 0.02)
HERON = Robot("heron", Bar(0.2, 0, 0.2, 0.09, 0.0, 0.0), 0.3, 0.1)
BODY_M = HERON.body_diameter_m


def q(low: float, high: float) -> Quantity:
    return Quantity((low + high) / 2, (high - low) / 3.92, (low, high))


@pytest.mark.parametrize(
    ("nozzle", "body", "verdict"),
    [
        (q(80, 90), q(5, 15), "clear"),
        (q(80, 90), q(-15, -5), "touched"),
        (q(80, 90), q(-5, 15), "can't be told"),
        (q(80, 90), None, "can't be told"),
        (q(-20, -10), q(-90, -60), "driven over"),
        (q(-20, -10), None, "driven over"),
        (q(-8, 2), q(-90, -60), "driven over"),  # contact is sure; over is likelier
        (q(-2, 8), q(-90, -60), "touched"),
        (q(299, 310), q(200, 250), "clear"),
        (q(301, 310), q(200, 250), "not challenged"),
        (None, None, "not challenged"),
    ],
)
def test_verdict_by_the_intervals(nozzle: Quantity | None, body: Quantity | None, verdict: str):
    assert measured_verdict(nozzle, body, BODY_M) == verdict


@given(st.floats(-300, 400), st.floats(0, 50), st.floats(-300, 400), st.floats(0, 80))
def test_a_verdict_is_only_given_where_no_doubt_is_left(nozzle: float, by: float, body: float, off: float):
    verdict = measured_verdict(q(nozzle - by, nozzle + by), q(body - off, body + off), BODY_M)
    if verdict == "clear":
        assert body - off > 0
    if verdict == "touched":
        assert body + off < 0
    if verdict == "can't be told":
        assert body - off <= 0 <= body + off


def found(**changed: Any) -> DecoyFound:
    values: dict[str, Any] = dict.fromkeys(DecoyFound.__dataclass_fields__)
    clear = {"decoy": "puck", "verdict": "clear", "nozzle_clearance_mm": q(80, 90), "body_clearance_mm": q(5, 15)}
    return DecoyFound(**(values | clear | changed))


def test_what_was_seen_outranks_and_disagreement_is_told():
    near, over = (q(80, 90), q(5, 15)), (q(-20, -10), q(-90, -60))
    assert verdict_of(*near, BODY_M, True) == "touched"
    assert verdict_of(*over, BODY_M, True) == "driven over"
    assert verdict_of(*over, BODY_M, False) == "clear"
    assert verdict_of(None, None, BODY_M, False) == "not challenged"
    (remark,) = contact_remarks([found(contact_seen=True)], BODY_M, ())
    assert (remark.code, remark.level) == ("contact-disagrees", "warning")
    assert "a contact was seen" in remark.text
    assert "puck" in remark.text
    assert contact_remarks([found(contact_seen=False)], BODY_M, ()) == ()
    assert contact_remarks([found(contact_seen=None)], BODY_M, ()) == ()
    doubtful = found(contact_seen=True, body_clearance_mm=q(-5, 15))
    assert contact_remarks([doubtful], BODY_M, ()) == ()  # nothing to disagree with


def test_a_decoy_that_was_moved_is_told():
    (still,) = contact_remarks([found()], BODY_M, {"puck"})
    (gone,) = contact_remarks([found(nozzle_clearance_mm=q(-20, -10))], BODY_M, {"puck"})
    assert still.code == gone.code == "decoy-moved"
    assert "crossed" in gone.text
    assert "crossed" not in still.text


def lanes(*y_m: float, east_m: float = 1.85) -> Track:
    """Lanes to and fro, with quarter turns on the spot at their ends."""
    points: list[tuple[float, float]] = []
    for number, y in enumerate(y_m):
        points += [(0.15, y), (east_m, y)][:: 1 if number % 2 == 0 else -1]
    step = np.diff(points, axis=0)
    heading = np.unwrap(np.repeat(np.arctan2(step[:, 1], step[:, 0]), 2))
    ends_s = np.concatenate([[0.0], np.cumsum(np.hypot(step[:, 0], step[:, 1]) / 0.25)])
    centre = np.repeat(np.array(points), 2, axis=0)[1:-1]
    return Track(
        np.repeat(ends_s, 2)[1:-1], centre, heading, np.arange(len(centre)), np.ones(len(centre) - 1, bool), 0.002
    )


def drive_of(poses: Track, decoys: tuple[Decoy, ...] = (PUCK,), *, track: bool = True) -> Drive:
    plan = floor_plan(
        Room(PEN, decoys=decoys),
        body_diameter_m=BODY_M,
        body_height_m=0.1,
        nozzle_m=0.2,
        forward_m=0.0,
        bar_height_m=0.09,
        camera_centre_m=(1, 0.8, 2.5),
        seen=None,
        grid=FloorGrid.over(PEN, 0.002),
    )
    swept = plan.grid.weights(smeared_area(poses, HERON.bar))
    sources = Sources(0.001, 0.0, np.zeros_like(swept), Nodes.over(PEN), {})
    places = np.column_stack([poses.centre_m, poses.heading_rad])
    fine = np.concatenate([np.linspace(*pair, 200) for pair in pairwise(places)])
    field = field_of_track(fine, HERON.bar, PEN)
    return Drive(swept, plan, HERON, sources, field, followed(poses) if track else None)


def followed(poses: Track) -> Followed:
    """A way that is known to 0.1 mm, in one frame whose light is known to be explained by it."""
    fine, _ = in_steps(poses, 0.05, np.deg2rad(5))
    step = np.diff(fine, axis=0)
    t_s = np.concatenate([[0], np.cumsum(np.hypot(step[:, 0], step[:, 1]) / 0.25)])
    count = len(fine)
    whole = Track(t_s, fine[:, :2], fine[:, 2], np.zeros(count, int), np.ones(count - 1, bool), poses.u_m)
    laid = LaidTrack(whole, np.tile(1e-8 * np.eye(2), (count, 1, 1)), np.ones(count, bool), Pace(0.25, 1.5))
    return Followed(laid, (smeared_area(poses, HERON.bar),), float(t_s[-1]))


@pytest.mark.parametrize(
    ("y_m", "verdict"),
    [(1.04, "clear"), (0.945, "touched"), (0.89, "driven over"), (1.35, "not challenged"), (0.9901, "can't be told")],
)
def test_a_lane_past_a_decoy(y_m: float, verdict: str):
    one = measure_avoidance(drive_of(lanes(y_m)), None)[0]
    assert one.verdict == verdict
    if verdict != "not challenged":
        assert one.body_basis == "frames"
        assert one.body_clearance_mm.value == pytest.approx(1000 * (y_m - 0.84 - BODY_M / 2 + TOO_NEAR_M), abs=0.1)
        nozzle_mm = 1000 * (y_m - 0.1 - 0.84)
        assert one.nozzle_clearance_mm.value == pytest.approx(max(nozzle_mm, -40), abs=0.6)  # 40: its middle
        assert one.profile[0][1] == pytest.approx(max(nozzle_mm, 0), abs=0.6)  # due north


def test_without_a_track_the_verdict_never_contradicts_the_one_with_it():
    for y_m in (1.2, 1.06, 1.0, 0.96, 0.89, 0.8):
        with_track, without = (measure_avoidance(drive_of(lanes(y_m), track=on), None)[0] for on in (True, False))
        assert without.verdict in (with_track.verdict, "can't be told")
        low, high = without.body_clearance_mm.interval_95
        assert low <= with_track.body_clearance_mm.value <= high


def test_a_way_that_contradicts_the_light_is_not_believed():
    off = replace(drive_of(lanes(1.04)), followed=followed(lanes(1.3)))
    one = measure_avoidance(off, None)[0]
    low, high = one.body_clearance_mm.interval_95
    assert one.body_basis == "light"
    assert low < 50 < high


def test_smear_is_what_was_driven_after_the_contact():
    poses = lanes(1.3, 0.9, 0.4)
    one = measure_avoidance(drive_of(poses), None)[0]
    driven = 1.7 + 0.4 + (1.85 - 1.0 - np.sqrt(0.19**2 - 0.1**2))
    assert one.smear.contact_t_s == pytest.approx(driven / 0.25, abs=0.05)
    whole = LineString(poses.centre_m).length
    assert one.smear.length_m.value == pytest.approx(whole - driven, abs=0.01)
    assert one.smear.area_m2.value < 0.2 * one.smear.length_m.value + np.pi * 0.01
    assert measure_avoidance(drive_of(lanes(1.3, 0.4)), None)[0].smear is None
    seen = measure_avoidance(drive_of(lanes(1.3, 0.4)), Seen(frozenset({"puck"})))[0]
    assert (seen.verdict, seen.smear) == ("touched", None)  # the track shows no contact: no time to begin with


def test_smeared_floor_lies_where_the_nozzle_went_after_the_first_contact():
    poses = lanes(1.3, 0.9, 0.4)
    drive = drive_of(poses)
    found = measure_avoidance(drive, None)
    share = smeared_share(followed(poses), found, HERON, drive.plan)
    x_m = 1.0 + np.sqrt(0.19**2 - 0.1**2)  # of the turning centre at the contact
    for place, smeared in [((1.0, 1.3), 0), ((x_m + 0.05, 0.95), 0), ((x_m - 0.05, 0.95), 1), ((1.0, 0.4), 1)]:
        row, col = np.rint(drive.plan.grid.to_cell(place)).astype(int)
        assert share[row, col] == pytest.approx(smeared, abs=0.01)
    assert smeared_share(None, found, HERON, drive.plan) is None
    assert smeared_share(followed(poses), [replace(one, smear=None) for one in found], HERON, drive.plan) is None


def test_hidden_floor_may_be_swept():
    drive = drive_of(lanes(1.06))
    plan = replace(drive.plan, hidden=box(1.045, 0.7, 1.1, 0.9))
    one = measure_avoidance(replace(drive, plan=plan), None)[0]
    assert one.nozzle_clearance_mm.interval_95[0] == pytest.approx(5, abs=0.2)
    assert one.nozzle_clearance_mm.value == pytest.approx(120, abs=1)


def test_light_in_doubt_widens_the_interval():
    drive = drive_of(lanes(1.04))
    doubtful = drive.plan.grid.weights(box(0.8, 0.9, 1.2, 1.0))
    clear = measure_avoidance(drive, None)[0].nozzle_clearance_mm
    unsure = measure_avoidance(replace(drive, sources=replace(drive.sources, doubtful=doubtful)), None)[0]
    assert unsure.nozzle_clearance_mm.interval_95[0] == pytest.approx(clear.interval_95[0], abs=0.1)
    assert unsure.nozzle_clearance_mm.interval_95[1] > clear.interval_95[1] + 50
    assert unsure.nozzle_clearance_mm.u > 10


def test_ring_shares_are_polygon_shares():
    drive = drive_of(lanes(1.04, 0.5))
    one = measure_avoidance(drive, None)[0]
    swept = smeared_area(lanes(1.04, 0.5), HERON.bar)
    for width_mm, share in one.rings.items():
        ring = PUCK.footprint.buffer(width_mm / 1000, quad_segs=64).difference(PUCK.footprint)
        assert share.value == pytest.approx(100 * swept.intersection(ring).area / ring.area, abs=0.2)


@pytest.mark.parametrize(("left_out", "lost_m2"), [((), 0.0), ((0.7, 0.9), 0.4)])
def test_floor_lost_to_caution_is_what_was_left_out_with_a_decoy(left_out: tuple[float, ...], lost_m2: float):
    everywhere = [round(0.15 + 0.1 * number, 2) for number in range(14)]
    rows = [y for y in everywhere if not left_out or not left_out[0] - 0.1 <= y <= left_out[1] + 0.1]
    drive = drive_of(lanes(*rows))
    pockets = find_pockets(drive.swept, drive.plan, smallest_m=0.03, body_diameter_m=BODY_M, sources=drive.sources)
    pen = measure_pen(drive, pockets)
    own = PUCK.footprint.buffer(0.1)
    left = drive.plan.reachable.difference(smeared_area(lanes(*rows), HERON.bar)).difference(own)
    expected = sum(part.area for part in getattr(left, "geoms", [left]) if part.buffer(0.001).intersects(own))
    assert pen.caution_m2.value == pytest.approx(expected, abs=0.01)
    assert (pen.caution_m2.value > 0.1) == (lost_m2 > 0)
    assert pen.beyond_100_percent.value < 100
