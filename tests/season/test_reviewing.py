"""Runs accepted and refused by a reviewer."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from stored_seasons import some_measures, store

from coverage_lab.errors import BadInput, CannotWrite
from coverage_lab.files.review import read_review
from coverage_lab.season.index import open_index
from coverage_lab.season.reviewing import review_run

NIGHT = "2031-02-11"


@pytest.fixture
def run(tmp_path: Path) -> Path:
    store(tmp_path / "season-2031", some_measures(f"{NIGHT}/heron-1"))
    return tmp_path / "season-2031" / NIGHT / "heron-1"


def results(run: Path) -> Path:
    return run.parent / "results" / run.name


def test_every_review_is_kept_and_the_last_counts(run: Path):
    review_run(run, "refused", "the lamp\u2028was on\n", "Kim")
    review_run(run, "accepted", "it was not", "Zoë")
    lines = [json.loads(line) for line in (results(run) / "review.jsonl").read_text("utf-8").split("\n")[:-1]]
    assert [(line["decision"], line["reason"], line["by"]) for line in lines] == [
        ("refused", "the lamp\u2028was on", "Kim"),
        ("accepted", "it was not", "Zoë"),
    ]
    assert read_review(results(run)).decision == "accepted"
    review_run(run, "refused", "a line\u2028apart", "Kim")
    assert read_review(results(run)).reason == "a line\u2028apart"
    with open_index(run.parent.parent) as index:
        (stored,) = index.runs()
    assert stored.review_holds


def test_a_runs_frame_stands_for_it(run: Path):
    frame = run.with_suffix(".jpg")
    frame.touch()
    assert review_run(frame, "accepted", "", "Kim").decision == "accepted"


def test_a_line_that_was_cut_short_stays_one_of_its_own(run: Path):
    path = results(run) / "review.jsonl"
    path.write_text('{"decision": "acc', "utf-8")
    review_run(run, "refused", "the lamp was on", "Kim")
    assert path.read_text("utf-8").startswith('{"decision": "acc\n{')
    assert read_review(results(run)).decision == "refused"


@pytest.mark.parametrize(
    ("name", "decision", "reason", "word"),
    [
        ("heron-1", "refused", " ", "Say why"),
        ("heron-2", "accepted", "", "has no results"),
        ("results/heron-1", "accepted", "", "Give NIGHT/RUN"),
    ],
)
def test_what_cannot_be_reviewed(run: Path, name: str, decision, reason: str, word: str):
    with pytest.raises(BadInput, match=word):
        review_run(run.parent / name, decision, reason, "Kim")
    assert not (results(run) / "review.jsonl").exists()


def test_a_refused_run_has_no_numbers_to_review(run: Path):
    path = results(run) / "measures.json"
    content = json.loads(path.read_text("utf-8")) | {"verdict": "refused", "reason": "it is burnt out"}
    path.write_text(json.dumps(content), "utf-8")
    with pytest.raises(BadInput, match="it is burnt out"):
        review_run(run, "accepted", "", "Kim")


def test_a_review_that_cannot_be_stored_says_so(run: Path):
    (results(run) / "review.jsonl").mkdir()
    with pytest.raises(CannotWrite, match=r"review\.jsonl"):
        review_run(run, "accepted", "", "Kim")
