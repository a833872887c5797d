"""Which results belong to one trail, and the command that studies them."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from typer.testing import CliRunner

from coverage_lab.cli.app import app
from coverage_lab.errors import BadInput
from coverage_lab.files.results import write_results
from coverage_lab.job import Quantity
from coverage_lab.measures.values import Coverage, Measures, Pattern
from coverage_lab.season.exposures import find_exposures

PERCENTS = {"heron": (90.0, 91.0), "wren": (80.0, 83.0)}


def known(value: float, u: float = 0.2) -> Quantity:
    return Quantity(value, u, (value - 2 * u, value + 2 * u))


def measures(key: str, percent: float, repeat: int | None, mark: str | None) -> Measures:
    coverage = Coverage(known(percent), known(percent + 5), (percent - 1, percent + 1), known(12.0), None, {}, {})
    return Measures(
        key=key,
        robot=key.split("/")[1].split("-")[0],
        repeat=repeat,
        trial="coverage",
        conditions={} if mark is None else {"Exposure": mark},
        verdict="measured",
        reason=None,
        quality=(),
        coverage=coverage,
        pattern=Pattern(known(60.0, 4), "lanes", 0.9, 0.8, 0.7),
    )


def store(season: Path, one: Measures, *, lights: str = "aa", **made) -> None:
    night, run = one.key.split("/")
    (season / night / "results").mkdir(parents=True, exist_ok=True)
    (season / night / "night.toml").touch()
    digests = {"reference": lights, "dark": "dd", f"{run}.jpg": one.key}
    how = {"method": 1, "settings": {"cell_m": 0.002}, "sha256": digests} | made
    write_results(season / night / "results" / run, one, how, None, {})


@pytest.fixture
def season(tmp_path: Path) -> Path:
    """Two robots, two repeats each, every trail exposed twice in each of two nights."""
    for night, lights in (("2031-02-11", "aa"), ("2031-02-12", "bb")):
        for robot, percents in PERCENTS.items():
            for repeat, percent in enumerate(percents, start=1):
                for time in (1, 2):
                    mark = str(time + 2 * (lights == "bb"))
                    value = percent + 0.1 * time + 0.05 * (lights == "bb") + 0.02 * (repeat == time)
                    key = f"{night}/{robot}-{repeat}-{time}"
                    store(tmp_path, measures(key, value, repeat, mark), lights=lights)
    return tmp_path


def test_marked_runs_of_one_robot_and_repeat_are_one_trail(season: Path):
    found = find_exposures([season])
    assert len(found) == 16
    assert {one.trail for one in found} == {f"{robot}, repeat {n}" for robot in PERCENTS for n in (1, 2)}
    assert {one.set_up for one in found} == {"aa", "bb"}
    assert {one.frame for one in found} == {one.run for one in found}
    assert found[0].values["coverage_percent"].u == 0.2
    assert set(found[0].values) == {"coverage_percent", "reachable_percent", "pattern_score"}


def test_a_night_given_twice_counts_once(season: Path):
    assert len(find_exposures([season / "2031-02-11", season])) == 16


def test_unmarked_runs_are_trails_of_their_own(tmp_path: Path):
    for n in (1, 2):
        store(tmp_path, measures(f"2031-02-11/heron-{n}", 90, 1, None))
    assert len({one.trail for one in find_exposures([tmp_path])}) == 2


def test_refused_runs_and_avoidance_runs_are_left_out(season: Path):
    refused = replace(measures("2031-02-11/heron-9", 90, 9, "1"), verdict="refused", coverage=None, pattern=None)
    store(season, refused)
    store(season, replace(measures("2031-02-11/heron-8", 90, 8, "1"), trial="avoidance"))
    assert len(find_exposures([season])) == 16


def test_a_run_without_reachable_floor_lacks_that_number_only(tmp_path: Path):
    one = measures("2031-02-11/heron-1", 90, 1, None)
    store(tmp_path, replace(one, coverage=replace(one.coverage, percent_of_reachable=None), pattern=None))
    assert set(find_exposures([tmp_path])[0].values) == {"coverage_percent"}


@pytest.mark.parametrize(
    ("one", "made", "words"),
    [
        (measures("2031-02-12/heron-again", 90, 1, "1"), {}, ("exposure 1 of heron, repeat 1", "other repeats")),
        (measures("2031-02-12/heron-x", 90, None, "5"), {}, ("of no repeat", "run sheet")),
        (measures("2031-02-12/heron-5", 90, 5, None), {"method": 2}, ("2 is not 1", "again")),
        (measures("2031-02-12/heron-5", 90, 5, None), {"settings": {"cell_m": 0.004}}, ("0.004", "again")),
    ],
)
def test_what_contradicts_is_told(season: Path, one: Measures, made: dict, words: tuple[str, ...]):
    store(season, one, **made)
    with pytest.raises(BadInput) as caught:
        find_exposures([season])
    assert len(caught.value.problems) == 1
    assert all(word in str(caught.value) for word in words)


def test_nothing_measured(tmp_path: Path):
    (tmp_path / "night.toml").touch()
    with pytest.raises(BadInput, match="has no measured run"):
        find_exposures([tmp_path])


def test_results_of_unknown_making(season: Path):
    (season / "2031-02-11" / "results" / "heron-1-1" / "made.json").write_text("{}")
    with pytest.raises(BadInput, match="does not say how it was made"):
        find_exposures([season])


def test_study_as_tables(season: Path):
    told = CliRunner().invoke(app, ["study", str(season)])
    assert told.exit_code == 0
    assert "coverage_percent: 16 exposures, 4 trails, 2 robots" in told.output
    assert all(name in told.output for name in ("robot", "repeat", "set-up", "exposure", "distinct categories"))
    assert "Cannot be told" not in told.output
    assert max(len(line) for line in told.output.splitlines()) <= 100


def test_study_as_json(season: Path):
    told = CliRunner().invoke(app, ["study", "--json", str(season / "2031-02-11")])
    assert len(told.output.splitlines()) == 1
    content = json.loads(told.output)
    assert content["schema"] == "coverage-lab/study/1"
    first = content["studies"][0]
    assert (first["measure"], first["trails"], first["set_ups"]) == ("coverage_percent", 4, 1)
    # Two exposures of each trail 0.1 apart, less or more 0.02: the pooled deviation is exact.
    differences = [0.08, 0.12, 0.08, 0.12]
    assert first["instrument"]["sd"] ** 2 == pytest.approx(sum(d**2 for d in differences) / 8, rel=1e-6)
    assert first["cannot_tell"][0].startswith("The set-up")


def test_study_without_repeated_exposures_says_so(tmp_path: Path):
    for robot, percents in PERCENTS.items():
        for repeat, percent in enumerate(percents, start=1):
            store(tmp_path, measures(f"2031-02-11/{robot}-{repeat}", percent, repeat, None))
    told = CliRunner().invoke(app, ["study", str(tmp_path)])
    assert told.exit_code == 0
    assert "instrument: cannot be told" in told.output
    assert "Cannot be told: The instrument: no trail was exposed twice" in told.output


def test_a_single_run_cannot_be_studied(tmp_path: Path):
    store(tmp_path, measures("2031-02-11/heron-1", 90, 1, "1"))
    told = CliRunner().invoke(app, ["study", str(tmp_path)])
    assert isinstance(told.exception, BadInput)
    assert "nothing can differ" in str(told.exception)
