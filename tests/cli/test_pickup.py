"""Soil tests from the command line."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import cv2
import numpy as np
import pytest
from made_up_seasons import write_season
from pickup.hair_scenes import scene
from small_night import Lab

from coverage_lab.season.index import open_index
from coverage_lab.show.palette import MISSED


@pytest.fixture
def pickup(lab: Lab) -> Path:
    """The season's pickup folder, with a plan for heron."""
    folder = lab.season / "pickup"
    sizes = ("--nozzle-mm", "280", "--bed-length-mm", "700")
    told = lab.run("pickup", "plan", *sizes, "--robot", "heron", "--out", folder)
    assert told.code == 0
    told.line("21 runs on a strip of 254.6 × 700 mm")
    return folder


def fill_in(sheet: Path, **cells: str) -> None:
    with sheet.open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    for number, row in enumerate(rows):
        after = 500 + float(row["dose_g"]) * 0.8 + number % 3 / 20
        row |= {"bin_empty_g": "500.00", "dosed_g": row["dose_g"], "bin_after_g": f"{after:.2f}"}
        row |= {"bin_cleaned_g": "500.00"}
    rows[0] |= cells
    with sheet.open("w", encoding="utf-8", newline="") as stream:
        table = csv.DictWriter(stream, rows[0].keys())
        table.writeheader()
        table.writerows(rows)


def test_a_plan_is_not_written_over(lab: Lab, pickup: Path):
    before = (pickup / "heron.csv").read_bytes()
    told = lab.run(
        "pickup", "plan", "--nozzle-mm", "280", "--bed-length-mm", "600", "--robot", "heron", "--out", pickup
    )
    assert told.code == 2
    told.line("heron.csv", "may be filled in")
    assert (pickup / "heron.csv").read_bytes() == before


def test_what_cannot_be_planned(lab: Lab, tmp_path: Path):
    rest = ("--bed-length-mm", "700", "--out", tmp_path / "out")
    lab.run("pickup", "plan", "--nozzle-mm", "28", "--robot", "heron", *rest).line("centimetres", "Write 280")
    lab.run("pickup", "plan", "--nozzle-mm", "280", "--robot", "../heron", *rest).line("cannot name a file")
    assert lab.run("pickup", "plan", "--nozzle-mm", "wide", "--robot", "heron", *rest).code == 2
    assert not (tmp_path / "out").exists()


def test_scores_reach_the_season(lab: Lab, pickup: Path):
    fill_in(pickup / "heron.csv")
    told = lab.run("pickup", "score", pickup / "heron.csv", "--json")
    assert told.code == 0
    told.line("heron, hardwood, pet hair", "(indicative, single run)")
    told.line("heron, low-pile carpet, overall", "6 runs")
    told.line("21 of 21 runs counted")
    stored = json.loads((pickup / "heron.json").read_text(encoding="utf-8"))
    assert json.loads(told.out) == stored
    with open_index(lab.season) as index:
        assert dict(index.documents())["heron.json"] == stored


def test_a_bad_row_is_told_and_the_rest_is_kept(lab: Lab, pickup: Path):
    fill_in(pickup / "heron.csv", bin_after_g="")
    told = lab.run("pickup", "score", pickup / "heron.csv")
    assert told.code == 1
    told.line("row 2, column bin_after_g", "is empty")
    told.line("20 of 21 runs counted")
    assert (pickup / "heron.json").is_file()


def test_a_file_that_is_no_sheet_leaves_former_scores(lab: Lab, pickup: Path):
    fill_in(pickup / "heron.csv")
    lab.run("pickup", "score", pickup / "heron.csv")
    before = (pickup / "heron.json").read_bytes()
    (pickup / "heron.csv").write_text("nothing\n", encoding="utf-8")
    assert lab.run("pickup", "score", pickup / "heron.csv").code == 2
    assert (pickup / "heron.json").read_bytes() == before


def test_scored_sheets_share_a_chart_and_the_comparison_shows_them(lab: Lab, tmp_path: Path):
    season = tmp_path / "season"
    write_season(season, ("heron", "wren"), repeats=2)
    for robot in ("heron", "wren"):
        sizes = ("--nozzle-mm", "220", "--bed-length-mm", "700")
        lab.run("pickup", "plan", *sizes, "--robot", robot, "--out", season / "pickup")
        fill_in(season / "pickup" / f"{robot}.csv")
        assert lab.run("pickup", "score", season / "pickup" / f"{robot}.csv").code == 0
    drawn = (season / "pickup" / "pickup.svg").read_text(encoding="utf-8")
    assert ">heron<" in drawn
    assert ">wren<" in drawn
    (season / "pickup" / "bed-hair.json").write_text('{"schema": "coverage-lab/hair/1"}', encoding="utf-8")
    assert lab.run("compare", season).code == 0  # hair on a picture is no trouble
    assert {path.name for path in (season / "comparison" / "charts").glob("pickup*")} == {
        f"{name}.{ending}" for name in ("pickup", "pickup-against-coverage") for ending in ("png", "svg")
    }


def test_coverage_of_one_run_each_is_drawn_too(lab: Lab, tmp_path: Path):
    season = tmp_path / "season"
    write_season(season, ("heron",), repeats=1)
    lab.run(
        "pickup", "plan", "--nozzle-mm", "220", "--bed-length-mm", "700", "--robot", "heron", "--out", season / "pickup"
    )
    fill_in(season / "pickup" / "heron.csv")
    lab.run("pickup", "score", season / "pickup" / "heron.csv")
    lab.run("compare", season)
    assert (season / "comparison" / "charts" / "pickup-against-coverage.png").is_file()


def test_hair_is_measured_and_drawn(lab: Lab, tmp_path: Path):
    made = scene("hardwood", stays=0.4, seed=2)
    for name, picture in (("before", made.before), ("after", made.after)):
        cv2.imwrite(str(tmp_path / f"{name}.png"), picture[..., ::-1])
    told = lab.run("pickup", "hair", tmp_path / "before.png", tmp_path / "after.png", "--out", tmp_path / "out")
    assert told.code == 0
    told.line("of the hair stayed", "indicative, single run")
    stored = json.loads((tmp_path / "out" / "after-hair.json").read_text(encoding="utf-8"))
    assert stored["residual_percent"]["value"] == pytest.approx(made.residual_percent, abs=3)
    assert stored["standing"] == "indicative, single run"
    drawn = cv2.imread(str(tmp_path / "out" / "after-hair.png"))[..., ::-1]
    orange = (np.abs(drawn.astype(int) - MISSED.unlit).max(axis=2) < 12)[:900, :920]
    assert orange.mean() == pytest.approx(stored["after_percent"] / 100, abs=0.02)
    told = lab.run("pickup", "hair", tmp_path / "before.png", tmp_path / "before.png")
    assert told.code == 1
    told.line("before.png", "hardly any hair went away")
    (tmp_path / "cut.png").write_bytes((tmp_path / "after.png").read_bytes()[:5000])
    told = lab.run("pickup", "hair", tmp_path / "before.png", tmp_path / "cut.png")
    assert told.code == 1
    told.line("cut.png", "cannot be decoded whole")
