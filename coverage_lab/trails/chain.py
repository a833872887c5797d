"""The ways through a run's frames, each as its frame's light has it, and each going on from the one before.

ways that were followed ──► laid on their frames' light ──► the robot's true pace
a frame without a way, or with one that does not go on from its neighbours' ──► sought from where they end ──► laid
of all ways of all frames ──► the chain that explains most light with the fewest breaks (Viterbi, 1967)
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from coverage_lab.job import Bar
from coverage_lab.room.track import Pace
from coverage_lab.trails.frame_light import Picture
from coverage_lab.trails.glow import Line
from coverage_lab.trails.joined import FrameWay, when_of
from coverage_lab.trails.lay import Laid, blur_of, lay, nodes
from coverage_lab.trails.seek import seek

FloatArray = NDArray[np.float64]

OFF, WORST = 0.18, 0.6  # of the logarithm of light, on the whole and over a patch: what is off more is another way
WORST_ALONE = 0.3  # over a patch, of a way that does not go on from its neighbour's, or has none
BREAK_COST, NONE_COST = 150.0, 2000.0  # of a way that does not go on from the one before, and of a frame without one
LATE_S, OFF_M = 0.25, 0.02  # that a robot may seem too slow, or too far, between two frames
ASIDE_M = 0.03  # off its direction
STRAIGHT_RAD = 1.0  # having turned less, it has not gone backwards
LONGEST_S = 2.5  # with the shutter closed; after that it may be anywhere
SWEEPS = 3  # over all frames, to and fro
FOLLOWED_PACE_U, LAID_PACE_U = 0.1, 0.03  # of the pace, relative: as ways that were followed tell it, as light does
FEWEST = 3  # ways that tell the pace
TURNED_RAD, TURNED_S = 1.0, 0.3  # in a frame that tells how fast it turns


@dataclass(frozen=True, slots=True, eq=False)
class Chain:
    """A run's ways as they were laid."""

    laid: tuple[Laid | None, ...]  # of each frame; None where there is no light, or none of the ways explains it
    pace: Pace


def chained(
    pictures: Sequence[Picture | None], ways: Sequence[FrameWay], blind_s: FloatArray, bar: Bar, pace: Pace
) -> Chain:
    """Return the ways through those frames of which there are pictures.

    ways : as they were followed; blind_s : (frames - 1,) from the end of each frame to the next one's beginning; pace :
    as the ways that were followed tell it.
    """
    made = _Making(pictures, ways, blind_s, bar, pace)
    for at, way in enumerate(ways):
        if way.followed:
            made.lay(at, way.poses, when_of(way.poses, pace))
    made.choose()
    made.set_pace()
    made.seek_from_ends()
    for _ in range(SWEEPS):
        if not any([made.sweep(1), made.sweep(-1)]):
            break
    return Chain(made.undoubted(), made.pace)


def goes_on(end: FloatArray, start: FloatArray, blind_s: float, pace: Pace) -> bool:
    """Say whether a robot that was at pose `end` can have been at pose `start` after `blind_s`."""
    step, turn = start[:2] - end[:2], (start[2] - end[2] + np.pi) % (2 * np.pi) - np.pi
    middle = end[2] + turn / 2
    ahead_m = float(step @ [np.cos(middle), np.sin(middle)])
    aside_m = abs(float(step @ [-np.sin(middle), np.cos(middle)]))
    far_m, turn = float(np.hypot(*step)), abs(float(turn))
    in_time = max(far_m - OFF_M, 0) / pace.m_s + turn / pace.rad_s <= blind_s + LATE_S
    backwards = ahead_m < 0 and far_m > 2 * OFF_M and turn < STRAIGHT_RAD
    return in_time and aside_m <= ASIDE_M + far_m * turn and not backwards


@dataclass(slots=True, eq=False)
class _Making:
    """A chain in the making."""

    pictures: Sequence[Picture | None]
    ways: Sequence[FrameWay]
    blind_s: FloatArray
    bar: Bar
    pace: Pace
    chosen: list[Laid | None] = field(init=False)
    _line: Line = field(init=False)
    _pace_u: float = FOLLOWED_PACE_U
    _all: list[list[Laid]] = field(init=False)  # good ways of each frame
    _sought: set[tuple[int, int, bytes]] = field(default_factory=set)

    def __post_init__(self) -> None:
        """Begin without any way."""
        self._line = Line.of(self.bar, self.pace)
        self._all, self.chosen = [[] for _ in self.pictures], [None] * len(self.pictures)

    def lay(self, at: int, poses: FloatArray, when: FloatArray) -> bool:
        """Lay a way (n, 3), passed at `when` (n,) of 0 to 1, on a frame's light; say whether it explains it."""
        picture = self.pictures[at]
        if picture is None:
            return False
        laid = lay(picture, nodes(poses, when, picture.open_s), self._line, blur_of(self.bar), self._pace_u)
        good = laid.off <= OFF and laid.worst <= WORST
        if good:
            self._all[at].append(laid)
        return good

    def set_pace(self) -> None:
        """Take the pace from the ways laid: their light tells how fast the robot drives, their time how it turns."""
        pairs = [(one, picture) for one, picture in zip(self.chosen, self.pictures, strict=True) if one and picture]
        if len(pairs) < FEWEST:
            return
        drives_m_s = self.pace.m_s * float(np.median([one.gain for one, _ in pairs]))
        left = [(one.turned_rad, picture.open_s - one.way_m / drives_m_s) for one, picture in pairs]
        rates = [turn / took_s for turn, took_s in left if turn > TURNED_RAD and took_s > TURNED_S]
        self.pace = Pace(drives_m_s, float(np.median(rates)) if len(rates) >= FEWEST else self.pace.rad_s)
        self._line, self._pace_u = Line.of(self.bar, self.pace), LAID_PACE_U

    def seek_from_ends(self) -> None:
        """Seek ways through frames without one of which an end is known."""
        for at, way in enumerate(self.ways):
            for backwards, known in enumerate(way.ends):
                if known and self.chosen[at] is None:
                    self._seek(at, way.poses[-backwards], 0.0, backwards=bool(backwards))

    def sweep(self, step: int) -> bool:
        """Go over all frames, forwards (1) or backwards (-1), and seek ways that go on; say whether any was sought."""
        any_sought = False
        for at in range(len(self.pictures))[::step]:
            pose = self._end_of(at - step, last=step > 0)
            if pose is None or self.pictures[at] is None or self._joined(*sorted((at, at - step))):
                continue
            blind_s = float(self.blind_s[min(at, at - step)])
            key = (at, step, np.round(pose, 2).tobytes())
            if blind_s <= LONGEST_S and key not in self._sought:
                self._sought.add(key)
                any_sought = True
                self._seek(at, pose, blind_s, backwards=step < 0)
        return any_sought

    def _end_of(self, at: int, *, last: bool) -> FloatArray | None:
        """Return the last or first pose of a frame's way; without light, as it was followed."""
        if not 0 <= at < len(self.chosen):
            return None
        laid, way = self.chosen[at], self.ways[at]
        if laid is not None:
            return np.asarray(laid.poses[-1 if last else 0])
        if self.pictures[at] is not None or not (way.followed or way.ends[1 if last else 0]):
            return None
        return np.asarray(way.poses[-1 if last else 0])

    def _seek(self, at: int, pose: FloatArray, blind_s: float, *, backwards: bool) -> None:
        picture = self.pictures[at]
        if picture is None:
            return
        found = seek(picture, pose, blind_s, self._line, backwards=backwards)
        if any(self.lay(at, poses, when) for poses, when in found):
            self.choose()

    def _joined(self, first: int, second: int) -> bool:
        """Say whether the second frame's way goes on from the first one's; or light tells of but one of the two."""
        one, other = self.chosen[first], self.chosen[second]
        if one is None or other is None:
            return (one or other) is not None and None in (self.pictures[first], self.pictures[second])
        return goes_on(one.poses[-1], other.poses[0], float(self.blind_s[first]), self.pace)

    def undoubted(self) -> tuple[Laid | None, ...]:
        """Return the chosen ways without doubtful ones.

        Of two ways of which the second does not go on from the first, that is the one that goes on from fewer of its
        neighbours', or explains its light less well; of others, one that explains it badly and goes on from none.
        """
        kept = list(self.chosen)
        near = np.flatnonzero(np.asarray(self.blind_s) <= LONGEST_S).tolist()
        while True:
            pairs = [(at, at + 1) for at in near if kept[at] is not None and kept[at + 1] is not None]
            broken = Counter(number for pair in pairs if not self._joined(*pair) for number in pair)
            if not broken:
                break
            kept[max(broken, key=lambda number: (broken[number], _worst_of(kept[number])))] = None
        going_on = {number for pair in pairs for number in pair}
        return tuple(
            one if _worst_of(one) <= WORST_ALONE or number in going_on else None for number, one in enumerate(kept)
        )

    def choose(self) -> None:
        """Choose one way for each frame, or none."""
        states: list[list[Laid | None]] = [[*laid, None] for laid in self._all]
        cost, origins = np.zeros(1), []
        before: list[Laid | None] = [None]
        for at, here in enumerate(states):
            breaks = np.array([[self._breaks(at, one, other) for other in here] for one in before])
            total = cost[:, None] + BREAK_COST * breaks
            origins.append(total.argmin(axis=0))
            cost = total.min(axis=0) + [NONE_COST if one is None else one.cost for one in here]
            before = here
        number = int(cost.argmin())
        for at in range(len(states) - 1, -1, -1):
            self.chosen[at] = states[at][number]
            number = int(origins[at][number])

    def _breaks(self, at: int, one: Laid | None, other: Laid | None) -> bool:
        if one is None or other is None:
            return False
        return not goes_on(one.poses[-1], other.poses[0], float(self.blind_s[at - 1]), self.pace)


def _worst_of(laid: Laid | None) -> float:
    return 0.0 if laid is None else laid.worst
