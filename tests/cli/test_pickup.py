"""Soil tests from the command line."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest
from small_night import Lab

from coverage_lab.season.index import open_index


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
