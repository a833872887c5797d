"""The season's index says what the results folders say, whatever happens to it."""

from __future__ import annotations

import json
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from dataclasses import asdict, replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from small_night import Lab
from stored_seasons import some_measures, store, write_sheet

from coverage_lab.errors import BadInput
from coverage_lab.files.places import natural
from coverage_lab.files.review import Review
from coverage_lab.season import index as module
from coverage_lab.season.entry import sort_key
from coverage_lab.season.index import Index, open_index
from coverage_lab.season.stored import StoredRun

N1, N2 = "2031-02-11", "2031-02-12"


@pytest.fixture
def season(tmp_path: Path) -> Path:
    """Two nights with sheets: heron-1 to heron-10 without some, and wren."""
    folder = tmp_path / "season-2031"
    for key, percent in ((f"{N1}/heron-1", 90), (f"{N1}/heron-2", 91), (f"{N1}/heron-10", 92), (f"{N2}/wren-1", 80)):
        store(folder, some_measures(key, percent, floor="oak"))
    write_sheet(folder / N1, "heron-1,heron,1,,", "heron-2,heron,2,,", "heron-10,heron,10,,")
    write_sheet(folder / N2, "wren-1,wren,1,,")
    return folder


def listing(season: Path) -> tuple[list[StoredRun], list[dict], list, tuple]:
    with open_index(season) as index:
        return list(index.runs()), list(index.rows()), list(index.documents()), index.problems()


def ask(season: Path, question: str) -> tuple:
    with closing(sqlite3.connect(season / "season.db")) as database:
        return database.execute(question).fetchone()


def stands(season: Path) -> dict[str, tuple[str, str | None]]:
    return {run.key: (run.standing, run.replaced_by) for run in listing(season)[0]}


def test_runs_in_natural_order_with_all_that_is_stored(season: Path):
    runs, rows, documents, problems = listing(season)
    assert [run.key for run in runs] == [f"{N1}/heron-1", f"{N1}/heron-2", f"{N1}/heron-10", f"{N2}/wren-1"]
    first = runs[0]
    assert first.measures == some_measures(first.key, 90, floor="oak")
    assert first.made == json.loads((first.folder / "made.json").read_bytes())
    assert first.folder == season / N1 / "results" / "heron-1"
    assert (first.standing, first.review, first.review_holds) == ("current", None, False)
    assert [row["coverage_percent"] for row in rows] == [90, 91, 92, 80]
    assert rows[0]["coverage_percent_u"] == 0.2
    assert rows[0]["conditions"] == {"floor": "oak"}
    assert not documents
    assert not problems


def test_a_batch_fills_it_as_a_refresh_does(lab: Lab):
    lab.measure(lab.season)
    with Index(lab.season, lab.season / "season.db") as index:
        as_measured = list(index.rows())
    assert [row["key"] for row in as_measured] == [f"{N1}/heron-1", f"{N1}/heron-2"]
    (lab.season / "season.db").unlink()
    assert listing(lab.season)[1] == as_measured


def test_deleted_and_rebuilt_it_lists_the_same_after_any_changes(season: Path):
    before = listing(season)
    (season / "season.db").unlink()
    assert listing(season) == before
    store(season, some_measures(f"{N1}/heron-1", 95))
    store(season, some_measures(f"{N2}/wren-2", 70))
    shutil.rmtree(season / N1 / "results" / "heron-2")
    (season / N2 / "results" / "wren-1" / "measures.json").write_text("{")
    write_sheet(season / N1, "heron-1,heron,1,,", "heron-11,heron,11,,heron-10")
    (season / "pickup").mkdir()
    (season / "pickup" / "oak.json").write_text('{"schema": "coverage-lab/pickup/1"}')
    changed = listing(season)
    assert [run.key for run in changed[0]] == [f"{N1}/heron-1", f"{N1}/heron-10", f"{N2}/wren-2"]
    assert [name for name, _ in changed[2]] == ["oak.json"]
    (season / "season.db").unlink()
    assert listing(season) == changed


def test_only_what_changed_is_read_again(season: Path, monkeypatch: pytest.MonkeyPatch):
    listing(season)
    read: list[str] = []
    real = module.entry
    monkeypatch.setattr(module, "entry", lambda top, folder: read.append(folder.name) or real(top, folder))
    listing(season)
    assert read == []
    store(season, some_measures(f"{N1}/heron-2", 50))
    (season / N2 / "results" / "wren-1" / "review.jsonl").write_text("")
    listing(season)
    assert read == ["heron-2", "wren-1"]


def test_what_the_sheet_says_of_results(season: Path):
    night = season / N1
    write_sheet(night, "heron-1,heron,1,no,", "heron-11,heron,11,,heron-10", "wren-1,wren,1,,")
    assert stands(season) == {
        f"{N1}/heron-1": ("unused", None),
        f"{N1}/heron-2": ("orphaned", None),
        f"{N1}/heron-10": ("replaced", f"{N1}/heron-11"),
        f"{N2}/wren-1": ("current", None),
    }
    (night / "runs.csv").unlink()
    (night / "heron-2.jpg").touch()
    (night / "heron-10").mkdir()
    assert [stands(season)[f"{N1}/{run}"][0] for run in ("heron-1", "heron-2", "heron-10")] == [
        "orphaned",
        "current",
        "current",
    ]


def test_how_a_run_stands_outlives_new_results_of_it(season: Path):
    write_sheet(season / N1, "heron-10,heron,10,,", "heron-11,heron,11,,heron-10")
    before = stands(season)
    folder = store(season, some_measures(f"{N1}/heron-10", 60))
    with Index(season, season / "season.db") as index:
        index.take([folder])
    assert stands(season) == before
    assert before[f"{N1}/heron-10"] == ("replaced", f"{N1}/heron-11")


def test_a_sheet_that_cannot_be_read_is_named_and_speaks_against_nobody(season: Path):
    write_sheet(season / N1, "heron-1,heron,1,no,")
    (season / N1 / "runs.csv").write_bytes(b"\0\0")
    runs, _, _, problems = listing(season)
    assert {run.standing for run in runs} == {"current"}
    assert "runs.csv: is not a CSV file" in str(problems[0])


def test_broken_and_later_results_are_named_and_the_others_listed(season: Path):
    results = season / N1 / "results"
    (results / "heron-1" / "measures.json").write_text('{"schema": "coverage-lab/measures/2"}')
    (results / "heron-2" / "made.json").write_text('{"schema": "coverage-lab/made/7"}')
    (results / "heron-10" / "made.json").unlink()
    content = json.loads((season / N2 / "results" / "wren-1" / "measures.json").read_text())
    store(season, some_measures(f"{N2}/wren-2"))
    (season / N2 / "results" / "wren-1" / "measures.json").write_text(json.dumps({**content, "coverage": 7}))
    (season / "pickup").mkdir()
    (season / "pickup" / "oak.json").write_text("{")
    for _ in range(2):  # found, and remembered
        runs, rows, documents, problems = listing(season)
        assert [run.key for run in runs] == [row["key"] for row in rows] == [f"{N2}/wren-2"]
        assert not documents
        told = [str(problem) for problem in problems]
        assert len(told) == 5
        for words in ("heron-1/measures.json: schema", "heron-2/made.json: schema", "heron-10/made.json: does not say"):
            assert sum(words in line for line in told) == 1
        assert sum("wren-1/measures.json: does not hold what a measured run says" in line for line in told) == 1
        assert sum("pickup/oak.json" in line for line in told) == 1


def test_the_last_review_and_whether_it_is_of_these_numbers(season: Path):
    (run, *_), *_ = listing(season)
    said = [Review(one, "halo", "Ada", "2031-02-12T09:00:00Z", run.measures_sha256) for one in ("refused", "accepted")]
    lines = "".join(f"{json.dumps(asdict(one))}\n" for one in said)
    (run.folder / "review.jsonl").write_text(lines, encoding="utf-8")
    (run, *_), *_ = listing(season)
    assert run.review == said[1]
    assert run.review_holds
    store(season, replace(run.measures, robot="plover"))
    (run, *_), *_ = listing(season)
    assert run.review == said[1]
    assert not run.review_holds


@pytest.mark.parametrize("line", ["{", "[]", '{"decision": "refused"}', '{"decision": "maybe"}'])
def test_a_review_that_cannot_be_read_takes_its_run_out_rather_than_being_forgotten(season: Path, line: str):
    (season / N2 / "results" / "wren-1" / "review.jsonl").write_text(line)
    runs, _, _, problems = listing(season)
    assert len(runs) == 3
    assert "review.jsonl: line 1: does not hold a review" in str(problems[0])


@pytest.mark.parametrize("content", [b"", b"not a database at all" * 300, b"SQLite format 3\0" + b"\xff" * 5000])
def test_a_file_that_is_no_index_is_made_anew(season: Path, content: bytes):
    whole = listing(season)
    (season / "season.db").write_bytes(content)
    assert listing(season) == whole
    assert ask(season, "SELECT count(*) FROM runs") == (4,)


def test_zeroed_pages_are_noticed(season: Path):
    whole = listing(season)
    content = bytearray((season / "season.db").read_bytes())
    content[4096 : 4096 * 3] = bytes(4096 * 2)
    (season / "season.db").write_bytes(content)
    assert listing(season) == whole


def test_a_damaged_index_that_cannot_be_taken_away_is_done_without(season: Path, monkeypatch: pytest.MonkeyPatch):
    whole = listing(season)
    (season / "season.db").write_bytes(b"not a database at all" * 300)

    def refuse(path: Path, **how: bool) -> None:
        raise PermissionError(13, "read-only", str(path))

    monkeypatch.setattr(Path, "unlink", refuse)
    assert listing(season) == whole


def test_another_version_s_index_is_made_anew(season: Path, monkeypatch: pytest.MonkeyPatch):
    whole = listing(season)
    monkeypatch.setattr(module, "VERSION", module.VERSION + 1)
    assert listing(season) == whole


def test_where_none_can_be_written_one_is_made_for_the_time_being(season: Path):
    (season / "season.db").mkdir()
    assert len(listing(season)[0]) == 4


def test_a_locked_index_is_waited_for_then_done_without(season: Path, monkeypatch: pytest.MonkeyPatch):
    whole = listing(season)
    store(season, some_measures(f"{N2}/wren-3"))
    monkeypatch.setattr(module, "_BUSY_S", 0.1)
    other = sqlite3.connect(season / "season.db", isolation_level=None)
    other.execute("BEGIN EXCLUSIVE")
    assert len(listing(season)[0]) == len(whole[0]) + 1
    other.close()


def test_the_journal_is_one_that_network_drives_can_carry(season: Path):
    listing(season)
    assert ask(season, "PRAGMA journal_mode") == ("delete",)


def test_two_programs_at_once(season: Path):
    script = (
        "import sys; from pathlib import Path; from coverage_lab.season.index import open_index\n"
        "for _ in range(5):\n with open_index(Path(sys.argv[1])) as index: print(len(list(index.runs())))"
    )
    for number in range(120):
        store(season, some_measures(f"{N2}/plover-{number + 1}"))
    two = [
        subprocess.Popen([sys.executable, "-c", script, season], stdout=subprocess.PIPE, text=True) for _ in range(2)
    ]
    assert [one.communicate()[0].split() for one in two] == [["124"] * 5] * 2


def test_a_failing_index_harms_no_results(lab: Lab):
    (lab.season / "season.db").mkdir()
    told = lab.measure(lab.season)
    assert told.code == 0
    told.line("season.db: not kept up to date", "Results are safe")
    assert told.lines[-1] == "2 measured, 0 refused, 0 failed"


def test_a_night_is_no_season(season: Path):
    with pytest.raises(BadInput, match="is a night"):
        listing(season / N1)


NAMES = st.text("ab0129._-", min_size=1, max_size=8)


@given(st.lists(st.tuples(NAMES, NAMES), unique=True))
def test_sort_keys_are_in_natural_order_and_each_its_own(names: list[tuple[str, str]]):
    keys = {sort_key(*pair): pair for pair in names}
    assert len(keys) == len(names)


def test_sort_keys_of_counted_names():
    names = ["heron-10", "heron-2", "heron-1", "wren-1", "heron", "heron-02"]
    assert sorted(names, key=lambda name: sort_key("n", name)) == sorted(names, key=natural)
