"""One table of a season: what a spreadsheet and what a statistics program reads in it."""

from __future__ import annotations

import csv
import hashlib
import json
from dataclasses import asdict, replace
from pathlib import Path

import pytest
from pyarrow import parquet
from stored_seasons import some_measures, store, write_sheet
from typer.testing import CliRunner

from coverage_lab.cli.app import app
from coverage_lab.errors import BadInput
from coverage_lab.files.review import Review
from coverage_lab.season import export as module

NIGHT = "2031-02-11"
HOSTILE = ["=1+1", "+cmd|' /C calc'!A0", "-2+3", "@SUM(A1)", "\t=1", "\r=1"]


@pytest.fixture
def season(tmp_path: Path) -> Path:
    folder = tmp_path / "season-2031"
    for number, text in enumerate(HOSTILE, start=1):
        store(folder, some_measures(f"{NIGHT}/heron-{number}", 90 + number, operator=text, temperature="-3.5"))
    nothing = replace(some_measures(f"{NIGHT}/wren-1"), verdict="refused", coverage=None, pattern=None, pockets=None)
    store(folder, replace(nothing, reason="no trail, of any kind"))
    write_sheet(folder / NIGHT, *(f"heron-{number},heron,{number},," for number in range(1, 7)))
    return folder


def told(season: Path, out: Path, code: int = 0) -> str:
    result = CliRunner().invoke(app, ["export", str(season), "--out", str(out)])
    assert result.exit_code == code, result.output
    return result.output


def test_csv_for_a_spreadsheet(season: Path, tmp_path: Path):
    out = tmp_path / "all.csv"
    assert "7 runs written" in told(season, out)
    with out.open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert [row["key"] for row in rows] == [*(f"{NIGHT}/heron-{number}" for number in range(1, 7)), f"{NIGHT}/wren-1"]
    assert [row["condition operator"] for row in rows[:6]] == [f"'{text}" for text in HOSTILE]
    assert {row["condition temperature"] for row in rows[:6]} == {"-3.5"}
    assert [float(row["coverage_percent"]) for row in rows[:6]] == [91, 92, 93, 94, 95, 96]
    assert rows[6]["coverage_percent"] == ""
    assert (rows[6]["reason"], rows[6]["standing"]) == ("no trail, of any kind", "orphaned")


def test_parquet_for_statistics(season: Path, tmp_path: Path):
    out = tmp_path / "all.parquet"
    told(season, out)
    table = parquet.read_table(out)
    assert table.column("coverage_percent").to_pylist() == [91, 92, 93, 94, 95, 96, None]
    assert table.column("condition operator").to_pylist()[:6] == HOSTILE
    kinds = {name: str(table.schema.field(name).type) for name in table.column_names}
    assert (kinds["coverage_percent_u"], kinds["method"], kinds["reason"]) == ("double", "int64", "string")
    assert kinds["replaced_by"] == kinds["review_by"] == "string"  # all empty
    told(season, tmp_path / "all.csv")
    with (tmp_path / "all.csv").open(encoding="utf-8", newline="") as stream:
        assert next(csv.reader(stream)) == table.column_names


def test_what_the_reviewer_said(season: Path, tmp_path: Path):
    folder = season / NIGHT / "results" / "heron-1"
    now = hashlib.sha256((folder / "measures.json").read_bytes()).hexdigest()
    for sha256, holds in (("00" * 32, "False"), (now, "True")):
        said = Review("refused", "lamp on", "Ada", "2031-02-12T09:00:00Z", sha256)
        (folder / "review.jsonl").write_text(json.dumps(asdict(said)), encoding="utf-8")
        told(season, tmp_path / "all.csv")
        with (tmp_path / "all.csv").open(encoding="utf-8", newline="") as stream:
            row = next(csv.DictReader(stream))
        assert (row["review"], row["review_reason"], row["review_by"]) == ("refused", "lamp on", "Ada")
        assert row["review_holds"] == holds


def test_results_that_cannot_be_read_are_named(season: Path, tmp_path: Path):
    (season / NIGHT / "results" / "heron-3" / "measures.json").write_text("{")
    said = told(season, tmp_path / "all.csv", code=1)
    assert "heron-3/measures.json" in said
    assert "6 runs written" in said


def test_what_cannot_be_written(season: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    run = CliRunner().invoke
    assert "neither .csv nor .parquet" in str(run(app, ["export", str(season), "--out", "all.xls"]).exception)
    monkeypatch.setattr(module, "find_spec", lambda name: None)
    assert "coverage-lab[parquet]" in str(run(app, ["export", str(season), "--out", "all.parquet"]).exception)
    (tmp_path / "empty" / NIGHT).mkdir(parents=True)
    (tmp_path / "empty" / NIGHT / "night.toml").touch()
    refused = run(app, ["export", str(tmp_path / "empty"), "--out", str(tmp_path / "all.csv")]).exception
    assert isinstance(refused, BadInput)
    assert "has no results" in str(refused)
