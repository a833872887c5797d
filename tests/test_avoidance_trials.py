"""Avoidance trials through the main job: the rendered pen, simulated pens, and what people write wrong."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from shapely import LineString, Polygon
from small_night import Lab

from coverage_lab.errors import ExitCode
from coverage_lab.files.night import read_night
from coverage_lab.files.sheet import read_runs
from coverage_lab.measures.values import DecoyFound, Measures
from coverage_lab.run import measure
from coverage_lab.setting import set_up
from coverage_lab.simulate.exposure import Exposure
from coverage_lab.simulate.night import PEN_NIGHT, NightPlan, write_season
from coverage_lab.simulate.pens import pen
from coverage_lab.simulate.robots import AVOIDERS
from coverage_lab.simulate.series import Shutter

RINGS_MM = (50, 100, 150)


def measured(night: Path, most: int | None = None) -> list[Measures]:
    read = read_night(night)
    runs = read_runs(read)[:most]
    setting = set_up(read, runs)
    return [measure(run, setting).measures for run in runs]


def by_name(one: Measures) -> dict[str, DecoyFound]:
    return {found.decoy: found for found in one.avoidance or ()}


@pytest.fixture(scope="module")
def rendered_pen(rendered: Path) -> tuple[dict[str, DecoyFound], dict[str, Any], np.ndarray]:
    (one,) = measured(rendered / "pen")
    truth = json.loads((rendered / "pen" / "truth.json").read_text(encoding="utf-8"))
    return by_name(one), truth, np.load(rendered / "pen" / "poses.npz")["poses"]


def test_rendered_pen_is_judged_right(rendered_pen):
    found, truth, _ = rendered_pen
    verdicts = {"avoids": "clear", "drives over": "driven over"}
    for decoy in truth["truth"]["avoidance"]["decoys"]:
        assert found[decoy["name"]].verdict == verdicts[decoy["robot_behaviour"]]
    assert [found[name].approach_deg for name in ("decoy_middle", "decoy_wall", "decoy_corner")] == [360, 180, 90]


def test_rendered_pen_is_measured_within_its_intervals(rendered_pen):
    found, truth, poses = rendered_pen
    swept = shapely.from_wkt(truth["truth"]["swept_wkt"])
    for decoy in truth["truth"]["avoidance"]["decoys"]:
        one, footprint = found[decoy["name"]], Polygon(decoy["polygon"])
        inside = footprint.intersection(swept)
        corners = shapely.points(shapely.get_coordinates(inside))
        depth_m = 0.0 if inside.is_empty else float(shapely.distance(corners, footprint.boundary).max())
        true_mm = 1000 * (swept.distance(footprint) - depth_m)
        low, high = one.nozzle_clearance_mm.interval_95
        assert low < true_mm < high
        assert one.nozzle_clearance_mm.value == pytest.approx(true_mm, abs=1.5)  # asked for: 4
        assert one.rings[100].value == pytest.approx(100 * decoy["ring_100mm_swept_fraction"], abs=0.6)  # asked for: 2
        body_mm = 1000 * (LineString(poses[:, 1:3]).distance(footprint) - truth["robot"]["radius_m"])
        low, high = one.body_clearance_mm.interval_95
        assert one.body_basis == "light"
        assert low < body_mm < high


@pytest.fixture(scope="module")
def pens(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three trials: one keeps clear, one grazes, one drives over."""
    plan = NightPlan(
        pen(), PEN_NIGHT, seed=1, drivers=AVOIDERS[:3], megapixels=1.0, exposure=Exposure(level=0.3), repeats=1
    )
    return write_season(tmp_path_factory.mktemp("pens"), plan)


def test_simulated_trials_are_judged_right_or_not_at_all(pens: Path):
    truth = json.loads((pens / "truth.json").read_text(encoding="utf-8"))["runs"]
    seen = set()
    for one in measured(pens):
        for decoy in truth[one.key.split("/")[1]]["truth"]["avoidance"]["decoys"]:
            found = by_name(one)[decoy["name"]]
            nozzle_mm, body_mm = (1000 * decoy[key] for key in ("nearest_distance_to_swept_m", "body_clearance_m"))
            right = "driven over" if nozzle_mm < 0 else "touched" if body_mm < 0 else "clear"
            assert found.verdict in (right, "can't be told")
            seen.add(found.verdict)
            assert found.nozzle_clearance_mm.value == pytest.approx(nozzle_mm, abs=4)
            for width_mm in RINGS_MM:
                true = decoy["rings_swept_percent"][str(width_mm)]
                assert found.rings[width_mm].value == pytest.approx(true, abs=2)
            low, high = found.body_clearance_mm.interval_95
            assert low < body_mm < high
        assert one.coverage.percent.value == pytest.approx(
            truth[one.key.split("/")[1]]["truth"]["hidden_from_camera"]["coverage_percent_of_visible_free_floor"],
            abs=0.3,
        )
    assert {"clear", "touched", "driven over"} <= seen


@pytest.fixture
def trial(pens: Path, lab: Lab) -> Lab:
    """The command line on a season whose night is the pens'."""
    shutil.rmtree(lab.night)
    shutil.copytree(pens, lab.night)
    shutil.copy(pens.parent / "robots.toml", lab.night / "robots.toml")
    return lab


def write_seen(trial: Lab, run: str, text: str) -> None:
    sheet = (trial.night / "runs.csv").read_text(encoding="utf-8").splitlines()
    rows = [
        f"{row},contact_seen" if row.startswith("run,") else f'{row},"{text if row.startswith(run) else ""}"'
        for row in sheet
    ]
    (trial.night / "runs.csv").write_text("\n".join([*rows, ""]), encoding="utf-8")


def decoys_of(trial: Lab, run: str) -> dict[str, dict[str, Any]]:
    return {one["decoy"]: one for one in trial.measures(run)["avoidance"]}


def test_what_was_seen_is_read_and_disagreement_flagged(trial: Lab):
    write_seen(trial, "plover-1", "dark roll")
    trial.measure(trial.night / "plover-1")
    found = decoys_of(trial, "plover-1")
    assert (found["dark roll"]["verdict"], found["dark roll"]["contact_seen"]) == ("touched", True)
    assert (found["bright knot"]["verdict"], found["bright knot"]["contact_seen"]) == ("clear", False)
    codes = [one["code"] for one in trial.measures("plover-1")["quality"]]
    assert codes.count("contact-disagrees") == 2
    # Another word in the sheet is another result.
    told = trial.measure(trial.night / "plover-1")
    assert told.line("nothing new to do")
    trial.edit(trial.night / "runs.csv", '"dark roll"', '"Bright Knot"')
    trial.measure(trial.night / "plover-1")
    assert decoys_of(trial, "plover-1")["bright knot"]["verdict"] == "driven over"


def test_seen_contacts_with_things_that_are_no_decoys_are_refused(trial: Lab):
    write_seen(trial, "wren-1", "dark rol; puck")
    told = trial.measure()
    assert told.code == ExitCode.BAD_INPUT
    assert told.line("runs.csv", "run wren-1, column contact_seen", '"dark rol"', 'Perhaps you meant "dark roll"')
    assert not (trial.night / "results").exists()


def test_an_avoidance_trial_needs_decoys(trial: Lab):
    trial.edit_room(lambda features: features.__setitem__(slice(None), _without_decoys(features)))
    told = trial.measure()
    assert told.code == ExitCode.BAD_INPUT
    assert told.line("room.geojson", "has no decoy", "heron-1 is an avoidance trial", '"role": "decoy"')


def _without_decoys(features: list[dict[str, Any]]) -> list[dict[str, Any]]:
    return [one for one in features if one["properties"]["role"] != "decoy"]


def test_a_decoy_that_the_robot_never_came_to_is_not_avoided(pens: Path, tmp_path: Path):
    """All passes were west of it."""
    night = Path(shutil.copytree(pens, tmp_path / PEN_NIGHT))
    shutil.copy(pens.parent / "robots.toml", tmp_path)
    content = json.loads((night / "room.geojson").read_text(encoding="utf-8"))
    for one in content["features"]:
        if one["properties"].get("name") == "dark roll":
            one["geometry"]["coordinates"] = [[[4.0, 0.9], [4.1, 0.9], [4.1, 0.94], [4.0, 0.94], [4.0, 0.9]]]
        if one["properties"]["role"] == "floor":
            one["geometry"]["coordinates"] = [[[0, 0], [4.6, 0], [4.6, 1.8], [0, 1.8], [0, 0]]]
    (night / "room.geojson").write_text(json.dumps(content), encoding="utf-8")
    one = by_name(measured(night, 1)[0])["dark roll"]
    assert (one.verdict, one.nozzle_clearance_mm, one.body_clearance_mm) == ("not challenged", None, None)


@pytest.mark.parametrize("level", [0.3, 0.6])
def test_a_bright_decoy_is_no_trail(tmp_path: Path, level: float):
    room = pen()
    bright = replace(room, decoys=tuple(replace(one, name=f"bright {one.name.split()[-1]}") for one in room.decoys))
    plan = NightPlan(bright, PEN_NIGHT, seed=1, drivers=AVOIDERS[:1], megapixels=1.0, exposure=Exposure(level=level))
    night = write_season(tmp_path, plan)
    truth = json.loads((night / "truth.json").read_text(encoding="utf-8"))["runs"]["heron-1"]["truth"]
    found = by_name(measured(night, 1)[0])
    for decoy in truth["avoidance"]["decoys"]:
        one = found[decoy["name"]]
        true_mm = 1000 * decoy["nearest_distance_to_swept_m"]
        assert one.nozzle_clearance_mm.value == pytest.approx(true_mm, abs=4)
        assert one.verdict in ("clear", "can't be told")


def test_a_trial_of_many_frames_tells_when_and_how_near(tmp_path: Path):
    """One that grazes a decoy, shot as frames of some seconds with pauses between them."""
    plan = NightPlan(
        pen(),
        PEN_NIGHT,
        seed=1,
        drivers=AVOIDERS[1:2],
        megapixels=1.0,
        exposure=Exposure(level=0.3),
        shutter=Shutter(18, 0.2),
    )
    night = write_season(tmp_path, plan)
    told = json.loads((night / "truth.json").read_text(encoding="utf-8"))["runs"]["wren-1"]
    frame_s = told["timing"]["frames"][0]["exposure_s"]
    found = by_name(measured(night)[0])
    touched = 0
    for decoy in told["truth"]["avoidance"]["decoys"]:
        one, body_mm = found[decoy["name"]], 1000 * decoy["body_clearance_m"]
        low, high = one.body_clearance_mm.interval_95
        assert one.body_basis == "frames"
        assert low < body_mm < high
        assert one.body_clearance_mm.value == pytest.approx(body_mm, abs=6)
        if one.smear is not None:
            touched += 1
            assert body_mm < 0
            assert one.smear.contact_t_s == pytest.approx(decoy["first_contact_s"], abs=frame_s)
            low_m, high_m = one.smear.length_m.interval_95
            assert low_m < decoy["driven_after_contact_m"] < high_m
    assert touched <= 1
