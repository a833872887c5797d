"""A small version of the honesty benchmark: intervals hold the truth, and none is missed by far."""

from __future__ import annotations

import numpy as np
import pytest

from tests.benchmarks.honesty import Check, check_runs

RUNS = range(1000, 1008)


@pytest.fixture(scope="module")
def checks() -> list[Check]:
    return check_runs(RUNS, processes=2)


@pytest.mark.parametrize("of", ["coverage", "reachable share"])
def test_intervals_of_shares_hold_the_truth(checks: list[Check], of: str):
    some = [check for check in checks if check.of == of]
    assert len(some) >= len(RUNS) - 1, "runs under usual conditions are not refused"
    assert max(abs(check.normalised) for check in some) < 2.5  # 1.6
    assert sum(check.holds for check in some) >= len(some) - 1


def test_intervals_of_shares_are_not_too_wide(checks: list[Check]):
    some = [check for check in checks if check.of == "coverage"]
    rms = np.sqrt(np.mean([(check.value - check.true) ** 2 for check in some]))
    assert np.mean([check.high - check.low for check in some]) < 5.5 * rms  # 4.3


@pytest.mark.parametrize(("of", "share"), [("pocket diameter", 0.92), ("pocket area", 0.87), ("edge mean", 0.92)])
def test_intervals_of_edges_and_pockets_hold_the_truth(checks: list[Check], of: str, share: float):
    some = [check for check in checks if check.of == of]
    assert len(some) > 25
    assert np.mean([check.holds for check in some]) >= share
