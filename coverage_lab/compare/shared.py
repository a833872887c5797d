"""What repeats share: uncertainty that no number of repeats averages out, and what of it a difference keeps.

A contribution that is shared by something moves all its runs together: it adds up over them with their weights, and
only between one night (or robot) and another does it add in squares. What is each run's own is not counted here: it is
in the repeats' spread already.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from coverage_lab.measures.values import SharedBy

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Share:
    """One contribution of one run: how far it moves the run's number (standard uncertainty), with what else."""

    moves: float
    shared_by: SharedBy


@dataclass(frozen=True, slots=True, eq=False)
class Shared:
    """Shared contributions of R robots' means: what each cause in each night or room moves them by."""

    own: FloatArray  # (R,): of causes that are the robot's
    common: FloatArray  # (R, G): of causes that are a night's or a room's, one column each

    def u(self) -> FloatArray:
        """Return the standard uncertainty (R,) of each mean."""
        return np.asarray(np.sqrt(self.own**2 + np.sum(self.common**2, axis=1)))

    def u_difference(self, one: int, other: int) -> float:
        """Return the standard uncertainty of the difference of two means: what both have in common cancels."""
        apart = self.common[one] - self.common[other]
        return float(np.sqrt(self.own[one] ** 2 + self.own[other] ** 2 + apart @ apart))


def shared_by_means(
    robots: ArrayLike, nights: Sequence[str], rooms: Sequence[str], shares: Sequence[Mapping[str, Share]]
) -> Shared:
    """Return what the runs of each robot share, as it moves the robot's plain mean.

    All of length N: the robot's number (from 0), night, room and contributions (by cause) of each run.
    """
    robot = np.asarray(robots, dtype=np.intp)
    counts = np.bincount(robot)
    own: dict[str, FloatArray] = {}
    common: dict[tuple[str, str], FloatArray] = {}
    for index, night, room, causes in zip(robot, nights, rooms, shares, strict=True):
        for cause, share in causes.items():
            if share.shared_by == "robot":
                total = own.setdefault(cause, np.zeros(len(counts)))
            elif share.shared_by in ("night", "room"):
                group = night if share.shared_by == "night" else room
                total = common.setdefault((cause, group), np.zeros(len(counts)))
            else:
                continue
            total[index] += share.moves / counts[index]
    none = np.zeros((len(counts), 0))
    return Shared(
        own=np.sqrt(sum((one**2 for one in own.values()), np.zeros(len(counts)))),
        common=np.column_stack(list(common.values())) if common else none,
    )
