"""The decoy matrix: robots by decoys by repeats."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coverage_lab.compare.decoys import decoy_matrix, share
from coverage_lab.measures.values import DecoyFound, DecoyVerdict, Measures


def trial(robot: str, repeat: int, **verdicts: DecoyVerdict) -> Measures:
    found = tuple(
        DecoyFound(decoy, 360, verdict, None, None, None, None, None, (), None, {}, None)
        for decoy, verdict in verdicts.items()
    )
    key = f"2031-02-12/{robot}-{repeat}"
    return Measures(key, robot, repeat, "avoidance", {}, "measured", None, (), avoidance=found)


def test_robots_by_decoys_by_repeats():
    runs = [
        trial("wren", 2, sock="clear", roll="touched"),
        trial("wren", 1, sock="clear", roll="can't be told"),
        trial("heron", 1, sock="driven over"),
        replace(trial("heron", 2), avoidance=None),
        trial("wren", 3, sock="not challenged", roll="driven over"),
    ]
    matrix = decoy_matrix(runs)
    assert (matrix.robots, matrix.decoys) == (("heron", "wren"), ("roll", "sock"))
    assert matrix.cell("heron", "roll") is None
    sock, roll = matrix.cell("wren", "sock"), matrix.cell("wren", "roll")
    assert sock is not None
    assert roll is not None
    assert [one.run for one in sock.tries] == [f"2031-02-12/wren-{repeat}" for repeat in (1, 2, 3)]
    assert (sock.clear.k, sock.clear.n, sock.not_challenged) == (2, 2, 1)
    assert (roll.clear.k, roll.clear.n, roll.touched, roll.driven_over, roll.cannot_tell) == (0, 2, 1, 1, 1)
    assert [(cell.robot, cell.clear.k, cell.clear.n) for cell in matrix.overall] == [("heron", 0, 1), ("wren", 2, 4)]


def test_nothing_judged_has_no_interval():
    cell = decoy_matrix([trial("wren", 1, sock="can't be told")]).cells[0]
    assert (cell.clear.n, cell.clear.wilson_95, cell.clear.clopper_pearson_95) == (0, None, None)
    assert decoy_matrix([]).cells == ()


@given(st.integers(1, 60).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))))
def test_intervals_hold_the_share_and_the_exact_one_holds_the_exact_tails(k_of_n: tuple[int, int]):
    k, n = k_of_n
    found = share(k, n)
    for interval in (found.wilson_95, found.clopper_pearson_95):
        assert interval is not None
        low, high = interval
        assert -1e-9 <= low <= 100 * k / n + 1e-9
        assert 100 * k / n - 1e-9 <= high <= 100 + 1e-9
    mirrored = share(n - k, n)
    assert found.wilson_95 is not None
    assert mirrored.wilson_95 == pytest.approx([100 - end for end in reversed(found.wilson_95)])
