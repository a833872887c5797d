"""What the report shows of each run beside its numbers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from coverage_lab.measures.values import Passes, Pattern, Pocket


@dataclass(frozen=True, slots=True, eq=False)
class SmallPlan:
    """A run's floor in small: shares of cells in [0, 1], (rows, cols), row 0 at the north edge."""

    swept: NDArray[np.float32]
    free: NDArray[np.float32]
    hidden: NDArray[np.float32]
    reachable: NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class ShownRun:
    """What the page and its charts show of a run beside the numbers that are compared; little, as there are many."""

    overlay: str | None  # the full picture, by its path from the page; None = it is not there
    growth_chart: str | None  # of a run of many frames, by its path from the page
    pockets: tuple[Pocket, ...]  # the largest
    all_pockets: int
    passes: Passes | None
    pattern: Pattern | None
    growth: NDArray[np.float32] | None  # (n, 2) seconds and percent after each frame; None without times


@dataclass(frozen=True, slots=True, eq=False)
class MissMap:
    """How often each place was missed over a robot's runs, all of one room."""

    robot: str
    runs: int
    missed: NDArray[np.float32]  # (rows, cols) share of the runs that show the place, 0-1; nan where none shows floor
    free: NDArray[np.float32]  # (rows, cols): 0 = furniture, walls


@dataclass(frozen=True, slots=True)
class Chart:
    """A chart of the report."""

    name: str  # of its files
    title: str
    words: str  # what it shows, for those who do not see it
    svg: bytes
    png: bytes


Runs = Mapping[str, ShownRun]  # by key
