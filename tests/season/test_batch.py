"""Many runs: which are found, what is stored of each, and that a second pass changes nothing."""

from __future__ import annotations

import csv
import hashlib
import json
import shutil
from pathlib import Path

import numpy as np
import pytest
from small_night import Lab

from coverage_lab.camera.model import Camera, Lens
from coverage_lab.errors import ExitCode
from coverage_lab.season.jobs import find_jobs

FILES = ["made.json", "measures.json", "overlay.png", "plan.npz", "pockets.geojson"]


def ids(paths: list[Path]) -> list[list[str]]:
    return [[run.id for run in job.runs] for job in find_jobs(paths)]


def test_runs_by_season_night_id_or_frame(lab: Lab):
    assert ids([lab.season]) == ids([lab.night]) == [["heron-1", "heron-2"]]
    assert ids([lab.night / "heron-2"]) == ids([lab.night / "heron-2.jpg"]) == [["heron-2"]]
    assert ids([lab.night / "heron-2", lab.night / "heron-1.jpg"]) == [["heron-1", "heron-2"]]
    assert ids([lab.night / "heron-2", lab.season]) == [["heron-1", "heron-2"]]


def test_paths_from_where_one_stands(lab: Lab):
    lab.monkeypatch.chdir(lab.night)
    assert ids([Path("heron-2.jpg")]) == [["heron-2"]]
    assert ids([Path()]) == ids([Path("..")]) == [["heron-1", "heron-2"]]


def test_a_run_by_name_of_a_night_that_has_only_begun(lab: Lab):
    lab.measure(lab.night / "heron-2")
    (lab.night / "heron-2.jpg").unlink()
    told = lab.measure(lab.night / "heron-1")
    assert told.code == ExitCode.DONE
    assert told.line("heron-1: measured")
    assert not any("heron-2" in line for line in told.lines)  # its results are no orphans, it is only not here
    told = lab.measure(lab.night / "heron-1", lab.night / "heron-2")
    assert told.code == ExitCode.BAD_INPUT
    assert told.line("runs.csv", "row 3", "heron-2")
    told = lab.measure(lab.night)
    assert told.code == ExitCode.BAD_INPUT
    assert told.line("runs.csv", "row 3", "heron-2")


def test_what_is_stored(lab: Lab):
    assert lab.measure().code == ExitCode.DONE
    results = lab.night / "results"
    assert sorted(path.name for path in (results / "heron-1").iterdir()) == FILES
    made = json.loads((results / "heron-1" / "made.json").read_text(encoding="utf-8"))
    frame = hashlib.sha256((lab.night / "heron-1.jpg").read_bytes()).hexdigest()
    assert made["sha256"]["heron-1.jpg"] == frame
    assert made["settings"]["cell_m"] == 0.004
    with (results / "summary.csv").open(encoding="utf-8", newline="") as text:
        rows = list(csv.DictReader(text))
    assert [row["key"] for row in rows] == ["2031-02-11/heron-1", "2031-02-11/heron-2"]
    assert {row["verdict"] for row in rows} == {"measured"}


def test_a_second_pass_changes_no_number(done: Lab):
    folder = done.night / "results" / "heron-1"
    before = {name: (folder / name).read_bytes() for name in FILES if name != "made.json"}
    done.measure()
    assert {name: (folder / name).read_bytes() for name in before} == before
    assert sorted(path.name for path in folder.iterdir()) == FILES


def test_equal_frames_equal_numbers_and_no_run_knows_another(done: Lab):
    one, two = done.measures("heron-1"), done.measures("heron-2")
    assert one | {"run": None} == two | {"run": None}


def test_the_numbers_do_not_depend_on_where_the_season_lies(done: Lab, tmp_path: Path):
    before = (done.night / "results" / "heron-1" / "measures.json").read_bytes()
    elsewhere = Path(shutil.move(done.season, tmp_path / "another place"))
    done.measure(elsewhere)
    assert (elsewhere / "2031-02-11" / "results" / "heron-1" / "measures.json").read_bytes() == before


def test_a_run_with_its_own_reference_frame(lab: Lab):
    shutil.copy(lab.night / "reference.jpg", lab.night / "again.jpg")
    sheet = "run,robot,frames,reference\nheron-1,heron,heron-1.jpg,\nheron-2,heron,heron-2.jpg,again.jpg\n"
    (lab.night / "runs.csv").write_text(sheet, encoding="utf-8")
    (lab.night / "reference.jpg").write_bytes(b"")
    told = lab.measure()
    told.line("heron-1: failed: reference.jpg: the file is empty")
    told.line("heron-2: measured")


def test_picked_corners_alone_will_do(lab: Lab):
    truth = json.loads((lab.night / "truth.json").read_text(encoding="utf-8"))
    facts = truth["camera"]
    lens = Lens(tuple(facts["image_size"]), np.array(facts["K"]), np.array(facts["dist"]), "jpeg")
    camera = Camera(lens, np.array(facts["R"]), np.array(facts["t"]))
    floor_mm = [[300, 300], [3300, 300], [3300, 2500], [300, 2300], [1800, 1200]]
    pixels = camera.project([[x / 1000, y / 1000, 0] for x, y in floor_mm])
    corners = "".join(
        f"[[camera.corners]]\npixel = [{col:.1f}, {row:.1f}]\nfloor_mm = [{x}, {y}]\n"
        for (col, row), (x, y) in zip(pixels, floor_mm, strict=True)
    )
    lab.edit(lab.night / "night.toml", 'reference = "reference.jpg"\n', "")
    lab.edit(lab.night / "night.toml", "[settings]", f"{corners}\n[settings]")
    assert lab.measure().code == ExitCode.DONE
    hidden = truth["runs"]["heron-1"]["truth"]["hidden_from_camera"]
    true_percent = hidden["coverage_percent_of_visible_free_floor"]
    assert lab.measures()["coverage"]["percent"]["value"] == pytest.approx(true_percent, abs=1)
