"""`compare` and `review` as they are called."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from made_up_seasons import write_season
from small_night import Lab

from coverage_lab.errors import ExitCode

NIGHT = "2031-02-11"


@pytest.fixture
def season(tmp_path: Path) -> Path:
    write_season(tmp_path / "season", ("heron", "wren"), repeats=2)
    return tmp_path / "season"


def test_a_season_is_compared_into_a_folder(lab: Lab, season: Path, tmp_path: Path):
    told = lab.run("compare", season)
    assert told.code == ExitCode.DONE
    assert not told.out
    assert told.line("room: 2 robots")
    content = json.loads((season / "comparison" / "comparison.json").read_text("utf-8"))
    assert [one["robot"] for one in content["robots"]] == ["heron", "wren"]
    chosen = lab.run("compare", season, "--robot", "wren", "--out", tmp_path / "out")
    assert (chosen.code, (tmp_path / "out" / "comparison.csv").is_file()) == (ExitCode.DONE, True)
    assert chosen.line("There is one robot only")


def test_rooms_get_a_folder_each(lab: Lab, season: Path):
    made = season / NIGHT / "results" / "heron-1" / "made.json"
    made.write_text(made.read_text("utf-8").replace("ab" * 32, "cd" * 32), "utf-8")
    assert lab.run("compare", season).code == ExitCode.DONE
    assert {path.name for path in (season / "comparison").iterdir()} == {"room abababab", "room cdcdcdcd"}


def test_a_refused_run_leaves_the_comparison(lab: Lab, season: Path):
    run = season / NIGHT / "heron-1"
    said = lab.run("review", run, "--refuse", "--reason", "the lamp was on", "--by", "Kim")
    assert (said.code, said.lines) == (ExitCode.DONE, [f"{run}: refused by Kim: the lamp was on"])
    assert lab.run("compare", season).line("1 of 4 runs are not compared")
    assert lab.run("review", run, "--accept").code == ExitCode.DONE
    assert not any("not compared" in line for line in lab.run("compare", season).lines)


@pytest.mark.parametrize("words", [[], ["--accept", "--refuse"], ["--refuse"]])
def test_a_review_says_one_thing_and_why(lab: Lab, season: Path, words: list[str]):
    told = lab.run("review", season / NIGHT / "heron-1", *words)
    assert told.code == ExitCode.BAD_INPUT
    assert not (season / NIGHT / "results" / "heron-1" / "review.jsonl").exists()


def test_nothing_to_compare_is_not_done(lab: Lab, season: Path):
    assert lab.run("compare", season, "--trial", "avoidance").code == ExitCode.SOME_FAILED
    (season / "scorecard.toml").write_text("title = 1", "utf-8")
    told = lab.run("compare", season)
    assert told.code == ExitCode.BAD_INPUT
    assert told.line("scorecard.toml: title: 1 is not text")
