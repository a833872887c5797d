"""Tables of a comparison, and scorecards."""

from __future__ import annotations

import csv
import json
from dataclasses import fields, replace
from pathlib import Path

import openpyxl
import pytest
from made_up_seasons import write_season
from stored_seasons import known, some_measures

from coverage_lab.compare.values import HEADLINE, Comparison
from coverage_lab.errors import BadInput
from coverage_lab.files import comparison as module
from coverage_lab.files.comparison import write_comparison
from coverage_lab.files.scorecard import read_scorecard
from coverage_lab.measures.values import Passes, Timing
from coverage_lab.season.comparing import Wanted, compare_season
from coverage_lab.season.index import open_index
from coverage_lab.season.numbers import MEASURES, numbers_of

KEYS = [measure.key for measure in MEASURES]
EXAMPLE = Path(__file__).parents[2] / "docs" / "scorecard.example.toml"
HOSTILE = ('=HYPERLINK("http://x.example")', "<img src=x onerror=alert(1)>", "r" * 200, "שלום")


@pytest.fixture
def comparison(tmp_path: Path):
    write_season(tmp_path / "season", ("heron", "wren", "plover"))
    (tmp_path / "season" / "scorecard.toml").write_text(
        'title = "flat"\n[measures.common_percent]\nweight = 1\nzero_at = 50\nhundred_at = 100\n'
    )
    card = read_scorecard(tmp_path / "season" / "scorecard.toml", KEYS)
    with open_index(tmp_path / "season") as index:
        (found,) = compare_season(index, Wanted(reference="heron"), card)
    return found


def test_three_tables_that_agree(comparison, tmp_path: Path):
    paths = write_comparison(tmp_path / "out", comparison)
    assert [path.name for path in paths] == ["comparison.json", "comparison.csv", "comparison.xlsx"]
    content = json.loads(paths[0].read_text("utf-8"))
    assert content["schema"] == "coverage-lab/comparison/1"
    rows = list(csv.DictReader(paths[1].read_text("utf-8").splitlines()))
    book = openpyxl.load_workbook(paths[2])
    assert book.sheetnames == ["Robots", "Differences", "Runs", "About"]
    header, *sheet = book["Robots"].iter_rows(values_only=True)
    for robot, row, cells in zip(content["robots"], rows, sheet, strict=True):
        typed = dict(zip(header, cells, strict=True))
        assert robot["robot"] == row["robot"] == typed["robot"]
        mean = robot["summaries"][HEADLINE]["mean"]
        assert float(row[f"{HEADLINE} mean"]) == typed[f"{HEADLINE} mean"] == mean
        assert isinstance(typed["runs"], int)
        assert robot["group"] == row["group"] == typed["group"]
    assert book["Differences"].max_row == 1 + 3 + 2  # of Tukey's and Dunnett's
    assert book["Runs"].max_row == 1 + 9
    again = write_comparison(tmp_path / "again", comparison)
    assert [path.read_bytes() for path in again] == [path.read_bytes() for path in paths]


@pytest.mark.parametrize("name", HOSTILE)
def test_names_stay_text(comparison, tmp_path: Path, name: str):
    hostile = replace(comparison, robots=tuple(replace(one, robot=name) for one in comparison.robots))
    paths = write_comparison(tmp_path, hostile)
    (cell,) = {row["robot"] for row in csv.DictReader(paths[1].read_text("utf-8").splitlines())}
    assert cell == (f"'{name}" if name.startswith("=") else name)
    robot = openpyxl.load_workbook(paths[2])["Robots"]["A2"]
    assert (robot.value, robot.data_type) == (name, "s")


def test_without_the_library_there_is_no_spreadsheet(comparison, tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(module, "find_spec", lambda name: None)
    assert [path.suffix for path in write_comparison(tmp_path, comparison)] == [".json", ".csv"]


def test_every_number_of_a_run_is_a_known_measure():
    assert [HEADLINE, *numbers_of(some_measures("n/heron-1"))] == KEYS


def test_the_documents_name_every_measure_and_every_key():
    page = (EXAMPLE.parent / "file-formats.md").read_text("utf-8")
    for name in (*KEYS, *(field.name for field in fields(Comparison))):
        assert f"`{name}`" in page, name


def test_numbers_of_a_run_in_time():
    passes = Passes("frames", known(1.4), {"once": 60, "twice": 30, "more": 10}, 32.0)
    timing = Timing(1800.0, 9.0, "frames", 57, (), {"80": 900.0}, 0.31, 12.0, 0.0, known(310.0), 0.2)
    found = numbers_of(replace(some_measures("n/heron-1"), passes=passes, timing=timing))
    assert (found["duration_min"], found["minutes_to_80"]) == (30, 15)
    assert (found["repeat_ratio"].value, found["distance_m"].value) == (1.4, 310)
    short = replace(timing, duration_s=None, time_to_s={"80": None})
    found = numbers_of(replace(some_measures("n/heron-1"), timing=short))
    assert found["duration_min"] is found["minutes_to_80"] is None


def test_a_run_without_pockets_has_a_largest_one_of_nothing():
    assert numbers_of(some_measures("n/heron-1", pockets=0))["largest_pocket_mm"] == 0
    assert numbers_of(replace(some_measures("n/heron-1"), pockets=None))["largest_pocket_mm"] is None


def test_the_example_scorecard_is_one_and_says_so():
    card = read_scorecard(EXAMPLE, KEYS)
    assert card.example
    assert "EXAMPLE" in EXAMPLE.read_text("utf-8").splitlines()[0]
    assert sum(one.weight_percent for one in card.measures) == 100


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("[measures.common_percent]\nweight = 1\nzero_at = 1\nhundred_at = 2", "title: is missing. Add it."),
        ('title = "a"\n[measures]', "measures: {} has 0 entries. Give at least 1."),
        (
            'title = "a"\n[measures.comon_percent]\nweight = 1\nzero_at = 1\nhundred_at = 2',
            'measures.comon_percent: there is no measure "comon_percent". Perhaps you meant "common_percent".',
        ),
        (
            'title = "a"\n[measures.pockets]\nweight = 0\nzero_at = 1\nhundred_at = 2',
            "measures.pockets.weight: 0 is no weight. Give a number above 0, or leave the measure out.",
        ),
        (
            'title = "a"\n[measures.pockets]\nweight = 1\nzero_at = 2\nhundred_at = 2',
            "measures.pockets: zero_at and hundred_at are equal. Give the values that earn 0 and 100 points.",
        ),
        (
            'title = "a"\n[measures.pockets]\nwieght = 1\nweight = 2\nzero_at = 1\nhundred_at = 2',
            'measures.pockets.wieght: is not a known key. Perhaps you meant "weight".',
        ),
        (
            'title = "a"\n[measures.pockets]\nweight = "2"\nzero_at = 1\nhundred_at = 2',
            'measures.pockets.weight: "2" is not a number. Write a plain number, without quotes and unit.',
        ),
        ('title = "a"\n[measures', "line"),
    ],
)
def test_mistakes_in_a_scorecard_are_named(tmp_path: Path, text: str, told: str):
    path = tmp_path / "scorecard.toml"
    path.write_text(text, "utf-8")
    with pytest.raises(BadInput) as caught:
        read_scorecard(path, KEYS)
    assert told in str(caught.value)
    assert str(path) in str(caught.value)
