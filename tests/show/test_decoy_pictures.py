"""How an avoidance trial is shown."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
import shapely
from pictured import measures, q, scene

from coverage_lab.measures.values import DecoyFound, Pen, Smear
from coverage_lab.show.decoy_marks import draw_verdicts
from coverage_lab.show.decoys import RADIUS_PX, VERDICT_COLOURS, _disc, decoy_section
from coverage_lab.show.ground import finishes_of
from coverage_lab.show.marks import draw_marks
from coverage_lab.show.overlay import draw_overlay
from coverage_lab.show.palette import SMEARED
from coverage_lab.show.rows import blank
from coverage_lab.show.scale import PlanScale
from coverage_lab.show.tags import Board

NEAR = ((2.05, 1.3), (2.05, 1.2))


def sock(verdict="clear", **changed) -> DecoyFound:
    steps = tuple((2.5 + 5 * number, 100.0 if number < 18 else 50.0 if number < 36 else None) for number in range(72))
    values = {
        "decoy": "sock",
        "approach_deg": 360,
        "verdict": verdict,
        "contact_seen": None,
        "nozzle_clearance_mm": q(100, 4),
        "nearest_m": NEAR,
        "body_clearance_mm": q(30, 6),
        "body_basis": "frames",
        "profile": steps,
        "approached_percent": 50.0,
        "rings": {50: q(0, 0), 100: q(10, 1), 150: q(50, 1)},
        "smear": None,
    }
    return DecoyFound(**{**values, **changed})


def trial(*found: DecoyFound):
    return measures(trial="avoidance", avoidance=found, pen=Pen(q(92, 1), q(0.02, 0.001), q(0.5, 0.1)))


def lightness(pixel) -> float:
    return float(np.asarray(pixel, float).mean())


@pytest.mark.parametrize(
    ("bearing_deg", "mm", "swept"),
    [(45, 80, False), (45, 130, True), (135, 40, False), (135, 80, True), (270, 40, False), (270, 190, False)],
)
def test_polar_figure_parts_missed_from_swept_at_the_clearance(bearing_deg, mm, swept):
    disc = _disc(sock())
    away = 16 + 80 * mm / 200
    turn = np.deg2rad(bearing_deg)
    at = np.rint(RADIUS_PX + away * np.array([-np.cos(turn), np.sin(turn)])).astype(int)
    red, _, blue = disc[at[0] - 3 : at[0] + 4, at[1] - 3 : at[1] + 4].reshape(-1, 3).mean(axis=0)
    assert (blue > red) == swept  # swept is blue, missed is orange


def test_section_is_only_there_for_avoidance_trials():
    assert decoy_section(measures(), 506) is None
    one, three = decoy_section(trial(sock()), 506), decoy_section(trial(sock(), sock(), sock()), 506)
    assert one is not None
    assert three is not None
    assert one.shape[1] == three.shape[1] == 506
    assert three.shape[0] > one.shape[0] + 200  # a second row of figures


def test_unknown_numbers_and_long_names_fit():
    bare = sock(
        "not challenged",
        decoy="a name that is much longer than any column of this table could hold",
        nozzle_clearance_mm=None,
        nearest_m=None,
        body_clearance_mm=None,
        body_basis=None,
        rings={50: None, 100: None, 150: None},
    )
    smeared = sock("driven over", contact_seen=True, smear=Smear(12.0, (30.0,), q(8.0, 0.1), q(1.2, 0.1)))
    assert decoy_section(trial(bare, smeared), 506).shape[1] == 506


@pytest.mark.parametrize("verdict", VERDICT_COLOURS)
def test_each_verdict_is_drawn_in_its_colour_beside_the_decoy(verdict):
    made = scene()
    scale = PlanScale.fitting(made.plan.grid, 800, 800)
    picture = blank(scale.size[1], scale.size[0], (255, 255, 255))
    draw_verdicts(picture, made.plan.room, trial(sock(verdict)), scale, Board(picture.shape))
    painted = np.argwhere((picture == VERDICT_COLOURS[verdict]).all(axis=2))
    away_m = np.abs(painted[:, ::-1] - scale.to_px((2.05, 1.35))).min(axis=0) / scale.px_per_m
    assert len(painted) > 200
    assert away_m.max() < 0.2


def test_the_arrow_goes_from_the_decoy_to_swept_floor():
    made = scene()
    scale = PlanScale.fitting(made.plan.grid, 800, 800)
    picture = blank(scale.size[1], scale.size[0], (255, 255, 255))
    board = Board(picture.shape)
    board.take((0, 0, *scale.size))  # no room for a tag
    draw_verdicts(picture, made.plan.room, trial(sock("touched")), scale, board)
    col, row = np.argwhere((picture == VERDICT_COLOURS["touched"]).all(axis=2))[:, ::-1].T
    (x0, y0), (x1, y1) = (scale.to_px(point) for point in NEAR)
    assert (row.min(), row.max()) == (pytest.approx(y0, abs=4), pytest.approx(y1, abs=4))
    assert np.median(col) == pytest.approx((x0 + x1) / 2, abs=2)


def test_rings_are_drawn_for_avoidance_trials_only():
    made = scene()
    scale = PlanScale.fitting(made.plan.grid, 800, 800)
    with_rings, without = (blank(scale.size[1], scale.size[0], (90, 90, 90)) for _ in range(2))
    draw_marks(with_rings, made.plan, trial(), scale)
    draw_marks(without, made.plan, replace(trial(), avoidance=None), scale)
    changed = cv2.absdiff(with_rings, without).max(axis=2) > 0
    inner, outer = scale.to_px((2.05, 1.3 - 0.09)), scale.to_px((2.05, 1.3 - 0.16))
    assert changed[round(inner[1]) : round(outer[1]), round(inner[0]) - 12 : round(inner[0]) + 12].any()


def test_overlay_of_a_trial_is_drawn_whole():
    made = scene()
    picture = draw_overlay(made.light, made.plan, made.swept, trial(sock("driven over")))
    plain = draw_overlay(made.light, made.plan, made.swept, measures())
    assert picture.shape[1] == plain.shape[1]
    assert picture.shape[0] >= plain.shape[0]


def test_smeared_floor_has_its_own_tint_and_place_in_the_legend():
    made = scene()
    east = made.plan.grid.weights(shapely.box(1.2, 0, 2.4, 1.8))
    plain = draw_overlay(made.light, made.plan, made.swept, trial(sock()))
    smeared = draw_overlay(made.light, made.plan, made.swept, trial(sock()), smeared_share=east)
    rows = min(len(plain), len(smeared))
    changed = (plain[:rows] != smeared[:rows]).any(axis=2)
    plan = changed[100:700, 70:1050]  # the drawn floor, its west half first
    assert plan[:, : plan.shape[1] // 2 - 20].mean() < 0.02
    assert plan[:, plan.shape[1] // 2 + 20 :].mean() > 0.3
    assert SMEARED in finishes_of(made.plan, made.swept, None, smeared_share=east)
    assert SMEARED not in finishes_of(made.plan, made.swept, None)
