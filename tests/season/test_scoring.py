"""A filled-in sheet, and the ways in which people fill it in wrongly: each row is named, the others count."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest

from coverage_lab.errors import BadInput
from coverage_lab.files.pickup import pickup_to_json
from coverage_lab.files.pickup_sheet import empty_sheet
from coverage_lab.pickup.plan import plan_runs
from coverage_lab.pickup.settings import DEFAULTS
from coverage_lab.season.scoring import score_sheet

Rows = list[dict[str, str]]


def filled_in(robot: str = "heron") -> Rows:
    """A plan with weights of 80 % pickup on every run, give or take a point."""
    plan = plan_runs(robot, Decimal(280), Decimal(700), DEFAULTS, seed=1)
    rows = list(csv.DictReader(io.StringIO(empty_sheet(plan).decode())))
    rng = np.random.default_rng(4)
    for row in rows:
        empty, dosed = 512.34 + rng.normal(0, 0.005), float(row["dose_g"])
        after = empty + dosed * (80 + rng.normal(0, 1)) / 100
        row |= {"bin_empty_g": f"{empty:.2f}", "dosed_g": f"{dosed:.2f}", "bin_after_g": f"{after:.2f}"}
        row["bin_cleaned_g"] = row["bin_empty_g"]
    return rows


@pytest.fixture
def sheet(tmp_path: Path) -> Path:
    folder = tmp_path / "season-2031" / "pickup"
    folder.mkdir(parents=True)
    (folder.parent / "robots.toml").write_text("[heron]\nnozzle_mm = 280\n", encoding="utf-8")
    return folder / "heron.csv"


def write(path: Path, rows: Rows, delimiter: str = ",") -> Path:
    text = io.StringIO(newline="")
    table = csv.DictWriter(text, rows[0].keys(), delimiter=delimiter)
    table.writeheader()
    table.writerows(rows)
    path.write_text(text.getvalue(), encoding="utf-8")
    return path


def test_a_whole_sheet_counts(sheet: Path):
    result, problems = score_sheet(write(sheet, filled_in()))
    assert problems == ()
    assert result.quality == ()
    assert sum(run.counted for run in result.runs) == 21
    assert [one.floor for one in result.overall("heron")] == list(DEFAULTS.floors)
    for one in result.overall("heron"):
        assert one.n == 6
        assert one.mean_percent == pytest.approx(80, abs=1.5)


def test_what_spreadsheets_write_is_read(sheet: Path):
    plain, _ = score_sheet(write(sheet, filled_in()))
    rows = [{name: cell.replace(".", ",") for name, cell in row.items()} for row in filled_in()]
    comma, problems = score_sheet(write(sheet, rows, delimiter=";"))
    assert problems == ()
    assert comma == plain
    units = filled_in()
    units[3]["bin_after_g"] += " g"
    units[4]["bin_empty_g"] = f"{Decimal(units[4]['bin_empty_g']) / 1000} kg"
    assert score_sheet(write(sheet, units)) == (plain, ())


def spoil(row: int, **cells: str) -> Callable[[Rows], object]:
    return lambda rows: rows[row].update(cells)


def kilograms(row: int, column: str) -> Callable[[Rows], object]:
    return lambda rows: rows[row].update({column: f"{Decimal(rows[row][column]) / 1000}"})


def swap(rows: Rows) -> None:
    rows[2]["bin_empty_g"], rows[2]["bin_after_g"] = rows[2]["bin_after_g"], rows[2]["bin_empty_g"]
    rows[2]["bin_cleaned_g"] = rows[2]["bin_empty_g"]


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (spoil(2, bin_after_g=""), "row 4, column bin_after_g: is empty in run heron-03"),
        (spoil(2, dosed_g="0"), "row 4, column dosed_g: 0 g is no weight"),
        (spoil(2, dosed_g="nine"), 'row 4, column dosed_g: "nine" is no mass'),
        (
            spoil(2, floor="hardwod"),
            'row 4, column floor: "hardwod" is no floor of this test. Perhaps you meant "hardwood"',
        ),
        (spoil(2, floor="low pile"), 'Perhaps you meant "low-pile carpet"'),
        (spoil(2, soil="sand, fine"), 'row 4, column soil: "sand, fine" is no soil of this test'),
        (spoil(2, robot="herom"), 'row 4, column robot: "herom" is nearly the registered "heron". Write heron'),
        (spoil(2, robot=""), "row 4, column robot: is empty"),
        (spoil(2, repeat=""), "row 4, column repeat: is empty"),
        (
            kilograms(2, "bin_empty_g"),
            "bin_empty_g: 0.51233 g looks like kilograms. Write 512.33: the unit is g",
        ),
        (kilograms(2, "bin_after_g"), "column bin_after_g: 0.51"),
        (kilograms(2, "bin_cleaned_g"), "column bin_cleaned_g: 0.51"),
        (kilograms(2, "dosed_g"), "column dosed_g: 0.00891 g looks like kilograms. Write 8.91: the unit is g"),
        (swap, "is negative: bin_empty_g and bin_after_g look swapped"),
        (spoil(2, run="heron-01"), 'row 4, column run: "heron-01" is already the run of row 2'),
        (spoil(2, run=""), "row 4, column run"),
    ],
)
def test_one_wrong_row_is_named_and_the_others_count(sheet: Path, change: Callable[[Rows], object], told: str):
    rows = filled_in()
    change(rows)
    result, problems = score_sheet(write(sheet, rows))
    assert len(problems) == 1, problems
    assert told in str(problems[0])
    assert str(problems[0]).startswith(str(sheet))
    assert sum(run.counted for run in result.runs) == 20
    left_out = [run for run in result.runs if not run.counted]
    assert all(run.reason for run in left_out)
    assert len(left_out) + len(result.quality) == 1  # nothing is lost: it stands in the document, with its reason


def test_all_in_kilograms_is_seen_row_by_row(sheet: Path):
    rows = filled_in()
    for row in rows:
        for column in ("bin_empty_g", "dosed_g", "bin_after_g", "bin_cleaned_g"):
            row[column] = f"{Decimal(row[column]) / 1000}"
    result, problems = score_sheet(write(sheet, rows))
    assert len(problems) == 4 * 21
    assert not any(run.counted for run in result.runs)
    assert result.summaries == ()


def test_a_copied_row_counts_once(sheet: Path):
    rows = filled_in()
    rows.append(rows[0] | {"run": "heron-22"})
    result, problems = score_sheet(write(sheet, rows))
    assert "is already in row 2, with the same weights. Remove the copy" in str(problems[0])
    assert sum(run.counted for run in result.runs) == 21


def test_of_two_rows_with_one_repeat_none_counts(sheet: Path):
    rows = filled_in()
    rows.append(rows[0] | {"run": "heron-22", "bin_after_g": "519.70"})
    result, problems = score_sheet(write(sheet, rows))
    assert {problem.field for problem in problems} == {"row 2, column repeat", "row 23, column repeat"}
    assert sum(run.counted for run in result.runs) == 20
    rows[0] |= {"use": "no", "note": "spilt"}
    result, problems = score_sheet(write(sheet, rows))
    assert problems == ()
    assert [run.reason for run in result.runs if not run.counted] == ["not used: spilt"]


def test_cleaners_that_are_no_robots_are_welcome(sheet: Path):
    result, problems = score_sheet(write(sheet, filled_in("upright 3")))
    assert problems == ()
    assert len(result.overall("upright 3")) == 3


def test_conditions_are_kept(sheet: Path):
    rows = [row | {"battery": "full"} for row in filled_in()]
    result, _ = score_sheet(write(sheet, rows))
    assert result.runs[0].conditions == {"battery": "full"}


def test_a_file_that_is_no_sheet_is_refused(sheet: Path):
    sheet.write_text("a,b\n1,2\n", encoding="utf-8")
    with pytest.raises(BadInput, match="there is no column run"):
        score_sheet(sheet)
    rows = [
        {("bin_emtpy_g" if name == "bin_empty_g" else name): cell for name, cell in row.items()} for row in filled_in()
    ]
    with pytest.raises(BadInput, match="column bin_emtpy_g: is nearly the column bin_empty_g"):
        score_sheet(write(sheet, rows))
    sheet.write_text("run,robot\n", encoding="utf-8")
    with pytest.raises(BadInput, match="has no run"):
        score_sheet(sheet)
    with pytest.raises(BadInput, match="there is no such file"):
        score_sheet(sheet.with_name("none.csv"))


@pytest.mark.parametrize("robot", ["heron", "wren", "plover"])
def test_the_sample_scores_are_those_of_their_sheets(robot: str):
    samples = Path(__file__).parents[2] / "sample_frames" / "pickup"
    result, problems = score_sheet(samples / f"{robot}.csv")
    assert problems == ()
    assert pickup_to_json(result) == json.loads((samples / f"{robot}.json").read_text(encoding="utf-8"))
