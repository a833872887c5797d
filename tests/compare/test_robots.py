"""Robots whose true coverage is known, side by side."""

from __future__ import annotations

from dataclasses import replace
from math import isclose

import numpy as np
import pytest
from comparing import MEASURES, a_run, nothing_shared, season_of
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import studentized_range

from coverage_lab.compare import tell_apart
from coverage_lab.compare.model import covered_percent, fit, logit_missed
from coverage_lab.compare.repeatability import outliers, summary
from coverage_lab.compare.robots import compare_robots
from coverage_lab.compare.shared import Share, shared_by_means
from coverage_lab.compare.values import HEADLINE, Difference, Family

TRUTHS = {"heron": 95.0, "wren": 94.8, "plover": 90.0, "dunlin": 80.0}


def compared(runs, shares=None, reference=None):
    return compare_robots(runs, shares or nothing_shared(runs), MEASURES, reference)


def test_clear_differences_are_found_and_small_ones_are_not():
    found = compared(season_of(TRUTHS, repeats=4, nights=2, seed=1, spread=0.05))
    assert [one.robot for one in found.robots][2:] == ["plover", "dunlin"]
    groups = {one.robot: one.group for one in found.robots}
    assert groups == {"heron": "a", "wren": "a", "plover": "b", "dunlin": "c"}
    assert {one.robot: one.places for one in found.robots} == {
        "heron": (1, 2),
        "wren": (1, 2),
        "plover": (3, 3),
        "dunlin": (4, 4),
    }
    for one in found.robots:
        low, high = one.estimate_95
        assert low < one.estimate_percent < high
        assert low < TRUTHS[one.robot] < high


def test_what_nights_do_to_all_robots_is_taken_off():
    # The second night takes two points off everybody; wren ran there only once.
    runs = [
        a_run("heron", percent, night=night, repeat=at)
        for at, (percent, night) in enumerate([(95.0, "n1"), (95.2, "n1"), (93.1, "n2"), (92.9, "n2")])
    ]
    runs += [
        a_run("wren", percent, night=night, repeat=at)
        for at, (percent, night) in enumerate([(95.1, "n1"), (94.9, "n1"), (95.0, "n1"), (93.0, "n2")])
    ]
    found = compared(runs)
    assert found.model.night_sd_logit > 3 * found.model.sd_logit
    (difference,) = found.tukey.differences
    plain = np.mean([run.values[HEADLINE] for run in runs[:4]]) - np.mean([run.values[HEADLINE] for run in runs[4:]])
    assert abs(difference.points) < abs(plain) / 3
    assert not difference.different


def test_one_repeat_ranks_nothing():
    single = [a_run(robot, percent) for robot, percent in TRUTHS.items()]
    found = compared(single)
    assert (found.model, found.tukey, found.dunnett) == (None, None, None)
    assert [one.robot for one in found.robots] == list(TRUTHS)
    assert {one.group for one in found.robots} == {""}
    assert found.robots[0].summaries[HEADLINE].interval_95 is None
    # Others' repeats do not help a robot that has one.
    mixed = [*season_of({"heron": 95.0, "wren": 85.0}, repeats=3, nights=1, seed=2), a_run("dunlin", 50.0, night="n0")]
    found = compared(mixed, reference="heron")
    judged = {(one.robot, one.against): one for one in found.tukey.differences}
    assert judged["heron", "wren"].different
    assert not judged["heron", "dunlin"].different
    assert judged["heron", "dunlin"].not_judged == tell_apart.ONE_REPEAT
    assert judged["heron", "dunlin"].interval_95 is None
    assert [one.not_judged for one in found.dunnett.differences] == [None, tell_apart.ONE_REPEAT]
    assert {one.robot: one.group for one in found.robots} == {"heron": "a", "wren": "b", "dunlin": ""}
    assert "dunlin" in found.model.notes[-1]
    assert compared(mixed, reference="dunlin").dunnett is None


def test_robots_that_share_no_night_are_not_judged():
    runs = [a_run("heron", 95 + off, night="n1", repeat=at) for at, off in enumerate((0, 0.2, -0.2))]
    runs += [a_run("wren", 80 + off, night="n2", repeat=at) for at, off in enumerate((0, 0.2, -0.2))]
    found = compared(runs)
    (difference,) = found.tukey.differences
    assert (difference.not_judged, difference.different) == (tell_apart.NO_COMMON_NIGHT, False)
    assert found.model.night_sd_logit is None
    assert len(found.model.notes) == 1
    # With each repeat in a night of its own, the repeats' spread holds the nights.
    apart = [replace(run, night=f"m{at}") for at, run in enumerate(runs)]
    assert compared(apart).tukey.differences[0].different
    assert "part of the repeats" in compared(apart).model.notes[0]


def test_what_a_robots_repeats_share_widens_its_differences():
    runs = season_of({"heron": 90.0, "wren": 89.0}, repeats=6, nights=2, seed=3, spread=0.02, by_night=0.01)
    plain = compared(runs)
    assert plain.tukey.differences[0].different
    bar = [{"bar height": Share(1.0, "robot"), "edge": Share(5.0, "run")} for _ in runs]
    (difference,) = compared(runs, bar).tukey.differences
    assert not difference.different
    assert difference.repeats_needed is None  # no number of repeats averages it out
    in_logit = 0.01 / (0.895 * 0.105)
    assert difference.u_shared_logit == pytest.approx(np.sqrt(2) * in_logit, rel=0.01)
    # What a night or room does to both alike cancels.
    camera = [{"camera": Share(1.0, "night"), "markers": Share(1.0, "room")} for _ in runs]
    (alike,) = compared(runs, camera).tukey.differences
    assert alike.different
    assert alike.u_shared_logit < 0.1 * difference.u_shared_logit
    u_shared = compared(runs, camera).robots[0].summaries[HEADLINE].u_shared
    assert u_shared == pytest.approx(np.sqrt(1.0 / 2 + 1.0))  # two nights' cameras, one room


def test_nights_of_their_own_do_not_cancel():
    shared = shared_by_means(
        [0, 0, 1, 1], ["n1", "n1", "n2", "n2"], ["r"] * 4, [{"camera": Share(0.3, "night")} for _ in range(4)]
    )
    assert shared.u() == pytest.approx([0.3, 0.3])
    assert shared.u_difference(0, 1) == pytest.approx(0.3 * np.sqrt(2))


def test_repeats_needed_find_four_of_five():
    above, variance, critical = 0.3, 0.2**2, 2.9
    repeats = tell_apart.repeats_needed(above, variance, 0.05, critical, 40)
    rng = np.random.default_rng(0)

    def found(count: int) -> float:
        spread = np.sqrt(2 * variance / count + 0.05**2)
        estimates = above + spread * rng.normal(size=20000)
        return float(np.mean(estimates / (spread * np.sqrt(rng.chisquare(40, 20000) / 40)) > critical))

    assert found(repeats) > 0.79
    assert found(repeats - 1) < 0.81
    assert tell_apart.repeats_needed(above, variance, 0.2, critical, 40) is None
    assert tell_apart.repeats_needed(above, variance, 0.05, critical, 40, least=repeats + 5) == repeats + 5


def test_false_alarms_are_as_rare_as_stated():
    # Robots that do not differ, over nights that do: Tukey's test calls some pair different 5 times of 100.
    rng = np.random.default_rng(5)
    robots, nights = np.repeat(np.arange(5), 4), np.tile(np.arange(4), 5)
    one, other = np.triu_indices(5, 1)
    freedoms = np.geomspace(4, 200, 12)
    criticals = [studentized_range.ppf(0.95, 5, dof) / np.sqrt(2) for dof in freedoms]  # as in `tukey`, which is slow
    alarms, times = 0, 1500
    for _ in range(times):
        y = -2 + 0.1 * rng.normal(size=20) + 0.1 * rng.normal(size=4)[nights]
        found = fit(y, robots, [str(night) for night in nights])
        variance, dof = found.contrasts(one, other)
        critical = np.interp(dof.min(), freedoms, criticals)
        alarms += bool(np.any(np.abs(found.means[one] - found.means[other]) > critical * np.sqrt(variance)))
    assert 0.03 < alarms / times < 0.07


def family_of(names: str, different: set[frozenset[str]]) -> Family:
    pairs = [(one, other) for at, one in enumerate(names) for other in names[at + 1 :]]
    differences = tuple(
        Difference(one, other, 1.0, (0, 2), 0.5, frozenset((one, other)) in different, None, 0.9, 0.1, 0.0, 3)
        for one, other in pairs
    )
    return Family("Tukey", None, 10.0, 3.0, differences)


@given(st.integers(2, 8).flatmap(lambda n: st.tuples(st.just(n), st.sets(st.integers(0, n * (n - 1) // 2 - 1)))))
def test_letters_are_shared_exactly_by_robots_that_cannot_be_told_apart(drawn):
    count, chosen = drawn
    names = "abcdefgh"[:count]
    pairs = [frozenset((one, other)) for at, one in enumerate(names) for other in names[at + 1 :]]
    different = {pairs[at] for at in chosen}
    letters = tell_apart.groups(family_of(names, different), names)
    for pair in pairs:
        one, other = pair
        assert bool(set(letters[one]) & set(letters[other])) == (pair not in different)
    used = sorted(set("".join(letters.values())))
    assert used == [chr(ord("a") + at) for at in range(len(used))]


@settings(max_examples=30)
@given(st.integers(0, 10**6), st.floats(-3, 3), st.floats(0.1, 5))
def test_model_follows_shift_and_scale(seed: int, shift: float, scale: float):
    rng = np.random.default_rng(seed)
    robots = np.concatenate([np.arange(4), rng.integers(0, 4, 12)])
    nights = [str(night) for night in rng.integers(0, 3, 16)]
    y = rng.normal(size=16)
    plain, moved = fit(y, robots, nights), fit(scale * y + shift, robots, nights)
    assert moved.means == pytest.approx(scale * plain.means + shift, abs=1e-4 * scale)
    assert moved.variance == pytest.approx(scale**2 * plain.variance, rel=1e-4)
    order = rng.permutation(16)
    mixed = fit(y[order], robots[order], [nights[at] for at in order])
    assert mixed.variance == pytest.approx(plain.variance, rel=1e-6)


def test_model_variances_are_those_of_generalised_least_squares():
    rng = np.random.default_rng(8)
    robots = np.concatenate([np.arange(5), rng.integers(0, 5, 15)])
    nights = rng.integers(0, 4, 20)
    y = rng.normal(size=5)[robots] + 0.6 * rng.normal(size=4)[nights] + 0.3 * rng.normal(size=20)
    found = fit(y, robots, [str(night) for night in nights])
    assert found.night_variance > 0
    design, by_night = np.eye(5)[robots], np.eye(4)[nights]
    inverse = np.linalg.inv(found.variance * np.eye(20) + found.night_variance * by_night @ by_night.T)
    covariance = np.linalg.inv(design.T @ inverse @ design)
    assert found.means == pytest.approx(covariance @ design.T @ inverse @ y, rel=1e-9)
    assert found.single()[0] == pytest.approx(np.diag(covariance), rel=1e-9)
    apart = covariance[0, 0] + covariance[3, 3] - 2 * covariance[0, 3]
    variance, dof = found.contrasts([0], [3])
    assert variance == pytest.approx([apart], rel=1e-9)
    assert 3 < dof[0] < 20


def test_nothing_missed_and_everything_missed_have_a_logit():
    assert np.all(np.isfinite(logit_missed([0.0, 100.0])))
    assert covered_percent(logit_missed([0.5, 50.0, 99.9])) == pytest.approx([0.5, 50.0, 99.9])
    runs = season_of({"heron": 95.0}, repeats=3, nights=1, seed=0) + [
        a_run("wren", 100.0, repeat=at) for at in range(3)
    ]
    assert isclose(compared(runs).robots[0].estimate_percent, 100.0, abs_tol=1e-3)


def test_equal_repeats_give_no_division_by_nothing():
    runs = [a_run(robot, percent, repeat=at) for robot, percent in TRUTHS.items() for at in range(3)]
    found = compared(runs, reference="wren")
    assert found.model.sd_logit < 1e-12
    assert all(one.different for one in found.tukey.differences)
    assert all(one.different for one in found.dunnett.differences)


def test_outliers_are_named_from_six_repeats_on():
    values = {f"n/heron-{at}": value for at, value in enumerate((90.0, 90.1, 89.9, 90.05, 95.0, 90.02))}
    (found,) = outliers(values)
    assert (found.run, found.level) == ("n/heron-4", "outlier")
    assert summary(HEADLINE, values).n == 6  # it stays in
    assert not outliers(dict(list(values.items())[:5]))
    assert not outliers(dict.fromkeys(values, 90.0))


def test_robots_that_do_not_repeat_equally_well_are_told():
    steady = season_of({"heron": 90.0, "wren": 91.0}, repeats=4, nights=1, seed=1, spread=0.005)
    unsteady = season_of({"dunlin": 80.0}, repeats=4, nights=1, seed=2, spread=0.3)
    (note,) = [note for note in compared(steady + unsteady).model.notes if note.startswith("Spread")]
    assert "dunlin by" in note
    assert not any(note.startswith("Spread") for note in compared(steady).model.notes)
    alike = [a_run("heron", 90.0, repeat=at) for at in range(3)]
    assert any(note.startswith("Spread") for note in compared(alike + unsteady).model.notes)


def test_interval_with_shared_is_wider_and_never_narrower():
    values = {"a": 90.0, "b": 91.0, "c": 89.5}
    found = summary(HEADLINE, values, 0.4)
    own, wide = found.interval_95, found.interval_with_shared_95
    assert summary(HEADLINE, values, 0.0).interval_with_shared_95 == pytest.approx(own)
    assert wide[1] - found.mean > 0.4 * 1.96
    assert found.repeatability_limit == pytest.approx(2.8 * found.sd)


def test_dunnett_for_a_whole_season_is_stricter_than_for_forty():
    truths = {"heron": 90.0} | {f"r{at}": 90.0 - at * 0.02 for at in range(300)}
    found = compared(season_of(truths, repeats=3, nights=3, seed=4), reference="heron")
    assert found.tukey is None
    assert len(found.dunnett.differences) == 300
    assert found.dunnett.reference == "heron"
    few = compared(season_of(dict(list(truths.items())[:40]), repeats=3, nights=3, seed=4), reference="heron")
    assert found.dunnett.critical > few.dunnett.critical
    for one in found.dunnett.differences:
        assert one.different == (one.p_value < 0.05)
        assert (one.interval_95[0] > 0 or one.interval_95[1] < 0) == one.different
