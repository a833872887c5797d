"""A season's robots side by side: which runs count, on which floor, and what goes wrong."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from made_up_seasons import GRID, ROBOTS, hidden_floor, percent_of, plan_of, store_run, write_season
from stored_seasons import known, write_sheet

from coverage_lab.compare.values import HEADLINE, Comparison
from coverage_lab.errors import BadInput
from coverage_lab.files.measures import measures_from_json, measures_to_json, read_measures, to_bytes
from coverage_lab.files.pickup import write_pickup
from coverage_lab.files.plan import PlanArrays, plan_to_bytes, read_floor_blocks, read_plan, read_swept_blocks
from coverage_lab.measures.values import DecoyFound
from coverage_lab.pickup.values import Balance, PickupResult
from coverage_lab.season.comparing import Wanted, compare_season
from coverage_lab.season.index import open_index
from coverage_lab.season.reviewing import review_run

N1, N2, N3 = "2031-02-11", "2031-02-12", "2031-02-13"
THREE = ROBOTS[:3]  # avocet, bittern, curlew


@pytest.fixture
def season(tmp_path: Path) -> Path:
    write_season(tmp_path / "season-2031", THREE)
    return tmp_path / "season-2031"


def compare(season: Path, **wanted) -> tuple[Comparison, ...]:
    with open_index(season) as index:
        return compare_season(index, Wanted(**wanted))


def only(season: Path, **wanted) -> Comparison:
    (found,) = compare(season, **wanted)
    return found


def left_out(comparison: Comparison) -> dict[str, str]:
    return {run.key: run.left_out for run in comparison.runs if run.left_out is not None}


def change(path: Path, *keys: str, to: object) -> None:
    content = json.loads(path.read_text("utf-8"))
    place = content
    for key in keys[:-1]:
        place = place[key]
    place[keys[-1]] = to
    path.write_text(json.dumps(content), "utf-8")


def problem_of(season: Path, **wanted) -> str:
    with pytest.raises(BadInput) as caught:
        compare(season, **wanted)
    return str(caught.value)


def test_a_comparison_is_the_same_when_the_index_was_deleted(season: Path):
    before = only(season)
    (season / "season.db").unlink()
    assert only(season) == before


def test_a_season_is_compared_on_the_floor_that_all_runs_show(season: Path):
    found = only(season)
    assert (found.season, found.trial, found.rooms) == ("season-2031", "coverage", ("room",))
    assert [one.robot for one in found.robots] == list(THREE)
    assert not left_out(found)
    plans = {run.key: read_plan(season / run.folder / "plan.npz") for run in found.runs}
    hidden = np.max([plan.hidden for plan in plans.values()], axis=0)
    (floor,) = found.floors
    for run in found.runs:
        plan = plans[run.key]
        truth = percent_of(replace(plan, hidden=hidden))
        # Blocks of two cells: the strip's edges lie on them or one cell inside.
        assert run.values[HEADLINE] == pytest.approx(truth, abs=0.02)
        assert run.values[HEADLINE] != run.values["coverage_percent"]
    free_m2 = float(plans[found.runs[0].key].free.sum()) * GRID.cell_m2
    assert floor.common_m2 == pytest.approx(free_m2 - hidden.sum() * GRID.cell_m2, abs=1.2 * 0.01)
    assert floor.visible_m2[0] >= floor.common_m2 - 1e-9
    assert found.robots[0].summaries[HEADLINE].n == 3
    assert found.robots[0].summaries[HEADLINE].u_shared == pytest.approx(np.sqrt(0.15**2 + 0.1**2 / 3 + 0.05**2))
    assert {measure.key for measure in found.measures} >= {HEADLINE, "coverage_percent", "pockets", "pattern_score"}


def test_equal_floor_gives_the_runs_own_coverage(season: Path):
    rng = np.random.default_rng(0)
    for night in (N1, N2, N3):
        for robot in THREE:
            store_run(season, f"{night}/{robot}-{(N1, N2, N3).index(night) + 1}", plan_of(0.05, 0.6, rng))
    for run in only(season).runs:
        assert run.values[HEADLINE] == pytest.approx(run.values["coverage_percent"], abs=2e-3)


def test_a_plan_without_blocks_is_counted_again(season: Path):
    path = season / N1 / "results" / "avocet-1" / "plan.npz"
    with np.load(path) as stored:
        cells = {name: stored[name] for name in stored if not name.startswith("block_")}
    before, swept = read_floor_blocks(path), read_swept_blocks(path)
    np.savez_compressed(path, **cells)
    after = read_floor_blocks(path)
    for name in ("free", "hidden"):
        np.testing.assert_array_equal(getattr(before, name), getattr(after, name))
    np.testing.assert_array_equal(swept, read_swept_blocks(path))
    assert before.grid == after.grid


def test_each_run_that_is_not_compared_says_why(season: Path):
    change(season / N1 / "results" / "avocet-1" / "measures.json", "verdict", to="refused")
    change(season / N1 / "results" / "avocet-1" / "measures.json", "reason", to="everything is burnt out")
    review_run(season / N1 / "bittern-1", "refused", "the lamp was on", "Kim")
    review_run(season / N1 / "curlew-1", "accepted", "", "Kim")
    write_sheet(season / N2, "avocet-2,avocet,2,no,", "bittern-2b,bittern,2,,bittern-2")
    change(season / N3 / "results" / "avocet-3" / "measures.json", "run", "trial", to="avoidance")
    (season / N3 / "results" / "bittern-3" / "plan.npz").unlink()
    (season / N3 / "results" / "curlew-3" / "plan.npz").write_bytes(b"PK")
    found = only(season)
    told = left_out(found)
    assert told == {
        f"{N1}/avocet-1": "refused: everything is burnt out",
        f"{N1}/bittern-1": "refused in review: the lamp was on",
        f"{N2}/avocet-2": "the run sheet says not to use it",
        f"{N2}/bittern-2": f"replaced by {N2}/bittern-2b",
        f"{N2}/curlew-2": "it is no run of its night any more",
        f"{N3}/avocet-3": "its trial is avoidance",
        f"{N3}/bittern-3": "plan.npz: there is no such file",
        f"{N3}/curlew-3": told[f"{N3}/curlew-3"],
    }
    assert told[f"{N3}/curlew-3"].startswith("plan.npz: is no stored plan")
    assert len(found.runs) == 9
    (inside,) = (run for run in found.runs if run.left_out is None)
    assert (inside.key, inside.review, inside.review_by) == (f"{N1}/curlew-1", "accepted", "Kim")
    assert found.model is None
    assert any("one robot only" in line for line in found.warnings)


def test_a_plan_whose_swept_floor_is_broken_is_left_out(season: Path):
    path = season / N2 / "results" / "curlew-2" / "plan.npz"
    with np.load(path) as stored:
        arrays = dict(stored)
    for name in ("swept", "block_swept"):
        del arrays[name]
    np.savez_compressed(path, **arrays)
    found = only(season)
    assert list(left_out(found)) == [f"{N2}/curlew-2"]
    assert {one.robot: one.runs for one in found.robots}["curlew"] == 2


def test_a_review_is_open_again_once_numbers_changed(season: Path):
    review_run(season / N1 / "avocet-1", "refused", "the lamp was on", "Kim")
    assert f"{N1}/avocet-1" in left_out(only(season))
    store_run(season, f"{N1}/avocet-1", plan_of(0.5, 0.3, np.random.default_rng(9)))
    found = only(season)
    assert not left_out(found)
    again = next(run for run in found.runs if run.key == f"{N1}/avocet-1")
    assert (again.review, again.review_reason) == ("re-opened", "the lamp was on")
    assert any("open again" in line and again.key in line for line in found.warnings)


def test_chosen_robots_and_a_reference(season: Path):
    found = only(season, robots=("bittern",), reference="curlew")
    assert [one.robot for one in found.robots] == ["bittern", "curlew"]
    assert set(left_out(found).values()) == {"its robot was not chosen"}
    assert [(one.robot, one.against) for one in found.dunnett.differences] == [("bittern", "curlew")]
    text = problem_of(season, robots=("avoset",), reference="curlev")
    assert text.splitlines() == [
        f'{season}: --robot: no run is of a robot "avoset". Perhaps you meant "avocet".',
        f'{season}: --reference: no run is of a robot "curlev". Perhaps you meant "curlew".',
    ]


@pytest.mark.parametrize(("key", "value"), [("method", 99), ("settings", {"cell_m": 0.004})])
def test_mixed_methods_and_settings_are_refused_unless_told(season: Path, key: str, value: object):
    change(season / N2 / "results" / "bittern-2" / "made.json", key, to=value)
    text = problem_of(season)
    assert f"{N2}/bittern-2" in text
    assert key in text
    assert "--allow-mixed" in text
    found = only(season, allow_mixed=True)
    assert not left_out(found)
    assert any("different methods or settings" in line for line in found.warnings)
    # A run that is left out mixes nothing.
    review_run(season / N2 / "bittern-2", "refused", "other settings", "Kim")
    assert f"{N2}/bittern-2" in left_out(only(season))


def test_a_robot_with_two_register_entries_is_told(season: Path):
    for run, height_m in (("avocet-1", 0.095), ("avocet-2", 0.095), ("avocet-3", 0.1)):
        night = {"1": N1, "2": N2, "3": N3}[run[-1]]
        change(season / night / "results" / run / "made.json", "robot", to={"bar": {"height_m": height_m}})
    (warning,) = only(season).warnings
    assert f"avocet has other lengths (nozzle, bar or body) in {N3}/avocet-3 than in {N1}/avocet-1" in warning


def test_rooms_are_compared_apart_unless_told(season: Path):
    for robot in THREE:
        made = season / N3 / "results" / f"{robot}-3" / "made.json"
        change(made, "sha256", "room", to="cd" * 32)
        change(made, "stamps", to={"room": ["../rooms/small.geojson", 1, 1]})
    large, small = compare(season)
    assert (large.rooms, small.rooms) == (("room",), ("small",))
    assert [len(one.runs) for one in (large, small)] == [6, 3]
    assert {run.night for run in small.runs} == {N3}
    mixed = only(season, across_rooms=True)
    assert mixed.rooms == ("room", "small")
    assert [floor.room for floor in mixed.floors] == ["room", "small"]
    assert any("2 rooms" in line for line in mixed.warnings)


def test_a_room_of_other_trials_alone_is_no_comparison(season: Path):
    for path in sorted((season / N3 / "results").glob("*/measures.json")):
        change(path, "run", "trial", to="avoidance")
        change(path.with_name("made.json"), "stamps", to={"room": ["../rooms/pen.geojson", 1, 1]})
        change(path.with_name("made.json"), "sha256", "room", to="ef" * 32)
    assert only(season).rooms == ("room",)
    assert only(season, trial="avoidance").rooms == ("pen",)


def test_rooms_of_one_name_are_told_apart(season: Path):
    change(season / N3 / "results" / "avocet-3" / "made.json", "sha256", "room", to="cd" * 32)
    assert [one.rooms for one in compare(season)] == [("room abababab",), ("room cdcdcdcd",)]


def test_other_cells_or_no_common_floor_are_refused(season: Path):
    folder = season / N2 / "results" / "curlew-2"
    plan = read_plan(folder / "plan.npz")
    moved = PlanArrays(replace(GRID, west_m=1.0), plan.swept, plan.free, plan.hidden, plan.reachable)
    (folder / "plan.npz").write_bytes(plan_to_bytes(moved))
    assert "laid out in other cells" in problem_of(season)
    assert f"{N2}/curlew-2" in problem_of(season)
    dark = replace(plan, hidden=plan.free)
    (folder / "plan.npz").write_bytes(plan_to_bytes(dark))
    text = problem_of(season)
    assert "show no floor in common" in text
    assert f"{N2}/curlew-2 alone hides" in text


def test_the_run_that_hides_most_is_named(season: Path):
    folder = season / N2 / "results" / "curlew-2"
    plan = read_plan(folder / "plan.npz")
    hidden = hidden_floor(0.0)
    hidden[:, :200] = plan.free[:, :200]
    (folder / "plan.npz").write_bytes(plan_to_bytes(replace(plan, hidden=hidden)))
    for run in ("avocet-1", "bittern-1"):  # they hide other floor, and less
        folder = season / N1 / "results" / run
        plan = read_plan(folder / "plan.npz")
        hidden = plan.hidden.copy()
        hidden[:, 450:] = plan.free[:, 450:]
        (folder / "plan.npz").write_bytes(plan_to_bytes(replace(plan, hidden=hidden)))
    (warning,) = only(season).warnings
    assert f"{N2}/curlew-2 alone hides" in warning


def test_nothing_left_no_repeats_and_results_of_a_later_version(season: Path):
    for night in (N2, N3):
        shutil.rmtree(season / night)
    found = only(season)
    assert found.model is None
    assert any("No robot has a second run" in line for line in found.warnings)
    change(season / N1 / "results" / "avocet-1" / "measures.json", "schema", to="coverage-lab/measures/2")
    found = only(season)
    assert len(found.runs) == 2
    (problem,) = found.problems
    assert "coverage-lab/measures/2" in problem
    for run in ("bittern-1", "curlew-1"):
        review_run(season / N1 / run, "refused", "no", "Kim")
    found = only(season)
    assert (found.robots, found.floors, found.measures) == ((), (), found.measures)
    assert found.warnings == ("No run is left to compare",)
    for run in ("avocet-1", "bittern-1", "curlew-1"):
        shutil.rmtree(season / N1 / "results" / run)
    assert "has no results" in problem_of(season)


def test_more_robots_than_can_be_judged_pair_by_pair(tmp_path: Path):
    many = tuple(f"robot{at}" for at in range(21))
    write_season(tmp_path / "s", many, repeats=2)
    found = only(tmp_path / "s")
    assert found.tukey is None
    assert any("--reference" in line for line in found.warnings)
    against = only(tmp_path / "s", reference="robot3")
    assert len(against.dunnett.differences) == 20
    assert not any("--reference" in line for line in against.warnings)
    assert only(tmp_path / "s", robots=many[:20]).tukey is not None


def test_avoidance_trials_come_with_their_decoys(season: Path):
    for robot, verdict in (("avocet", "clear"), ("bittern", "touched")):
        folder = season / N1 / "results" / f"{robot}-1"
        found = DecoyFound("sock", 360, verdict, None, known(12.0), None, None, None, (), None, {}, None)
        measures = replace(
            measures_from_json(read_measures(folder / "measures.json")), trial="avoidance", avoidance=(found,)
        )
        (folder / "measures.json").write_bytes(to_bytes(measures_to_json(measures)))
    found = only(season, trial="avoidance")
    assert [one.robot for one in found.robots] == ["avocet", "bittern"]
    assert [(cell.robot, cell.clear.k, cell.clear.n) for cell in found.decoys.cells] == [
        ("avocet", 1, 1),
        ("bittern", 0, 1),
    ]
    values = {run.robot: run.values for run in found.runs if run.left_out is None}
    assert values["avocet"]["clear_of_decoys_percent"] == 100
    assert values["bittern"]["clear_of_decoys_percent"] == 0
    assert values["avocet"]["nozzle_clearance_mm"] == 12
    assert set(left_out(found).values()) == {"its trial is coverage"}
    assert only(season).decoys is None


def test_soil_tests_stand_beside_and_broken_ones_are_told(season: Path):
    result = PickupResult("soil.csv", Balance(0.01, 0.01), 0.1, ("oak",), ("sand",), (), (), (), ())
    write_pickup(result, season / "pickup" / "soil.json")
    (season / "pickup" / "other.json").write_text('{"schema": "coverage-lab/pickup/2"}', "utf-8")
    found = only(season)
    assert found.pickup == (result,)
    (problem,) = found.problems
    assert "other.json" in problem
    assert "coverage-lab/pickup/2" in problem
