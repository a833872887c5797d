"""Gaps between two parallel passes as a cut across them shows them: what the ways of finding them share."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Gaps:
    """Gaps, one for each of K cuts across the passes; lengths in metres."""

    cut: NDArray[np.intp]  # (K,): in which cut
    middle_m: FloatArray  # (K,): where along the cut the gap's middle is, from the cut's own
    wide_m: FloatArray  # (K,): floor between the two nozzles' ends
    odd: FloatArray  # (K,): how unlike the inside of a pass, 0.05 and more = clearly so; alike along one seam
    beside: FloatArray  # (K,): light of the passes beside it
    irregular: NDArray[np.bool_]  # (N,) of all cuts: tracks are there that do not lie as those of one pass do
