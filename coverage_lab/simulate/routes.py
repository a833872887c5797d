"""Shortest ways over the floor that a robot's turning centre may be on.

A shortest way among obstacles bends only at their corners (visibility graph; Lozano-Pérez and Wesley,
Communications of the ACM 22, 1979).
"""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse.csgraph import dijkstra

from coverage_lab.room.room import Area

FloatArray = NDArray[np.float64]

_SLACK_M = 2e-4  # a way may touch the edge


class Routes:
    """Ways over one area; the sight lines between its corners are found once, when first needed."""

    def __init__(self, allowed: Area) -> None:
        self._area = allowed.buffer(_SLACK_M)
        shapely.prepare(self._area)
        self._corners = _bends(allowed)
        self._between_m: FloatArray | None = None

    def join(self, stops: FloatArray) -> FloatArray:
        """Return waypoints (K, 2) that lead through all stops (M, 2) in order without leaving the area."""
        way = [stops[:1]]
        direct = self._sees(stops[:-1], stops[1:])
        for start, stop, free in zip(stops[:-1], stops[1:], direct, strict=True):
            if not free:
                way.append(self._around(start, stop))
            way.append(stop[None])
        return np.concatenate(way)

    def _around(self, start: FloatArray, stop: FloatArray) -> FloatArray:
        """Return the corners (K, 2) to go by. Raises ValueError if the two are not connected."""
        count = len(self._corners)
        lengths = np.zeros((count + 2, count + 2))  # 0 = no sight line, as csgraph has it
        lengths[:count, :count] = self._corner_lengths()
        for number, point in ((count, start), (count + 1, stop)):
            lengths[number, :count] = lengths[:count, number] = self._lengths(point, self._corners)
        far, before = dijkstra(lengths, directed=False, indices=count, return_predecessors=True)
        if not np.isfinite(far[count + 1]):
            raise ValueError(f"no way from {start} to {stop}")
        way = [int(before[count + 1])]
        while way[-1] != count:
            way.append(int(before[way[-1]]))
        return self._corners[way[-2::-1]]

    def _corner_lengths(self) -> FloatArray:
        if self._between_m is None:
            count = len(self._corners)
            first, second = np.triu_indices(count, 1)
            found = np.zeros((count, count))
            found[first, second] = self._lengths(self._corners[first], self._corners[second])
            self._between_m = found + found.T
        return self._between_m

    def _lengths(self, start: FloatArray, stop: FloatArray) -> FloatArray:
        gap = stop - start
        return np.hypot(gap[..., 0], gap[..., 1]) * self._sees(np.broadcast_to(start, stop.shape), stop)

    def _sees(self, start: FloatArray, stop: FloatArray) -> NDArray[np.bool_]:
        return np.asarray(shapely.covers(self._area, shapely.linestrings(np.stack([start, stop], axis=1))))


def _bends(allowed: Area) -> FloatArray:
    """Return the corners at which the outline turns away from the area, the only ones a way bends at."""
    found = []
    for ring in shapely.get_rings(shapely.get_parts(shapely.orient_polygons(allowed))):
        corner = shapely.get_coordinates(ring)[:-1]
        before, after = corner - np.roll(corner, 1, axis=0), np.roll(corner, -1, axis=0) - corner
        found.append(corner[before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0] < 0])
    return np.concatenate(found)
