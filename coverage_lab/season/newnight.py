"""Plan a night: which robot drives when, and what that takes. Pure; `season/carry.py` reads and writes."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise
from statistics import median

FEWEST_FRAMES = 3  # a shorter series is a trial shot or a reference beside runs of many frames
_PAUSE_S = 60.0  # so much dark time between two frames, or more, parts two runs,
_PAUSE_EXPOSURES = 1.5  # if it is more than a camera loses that takes a dark frame after each exposure
_PAUSE_PERIODS = 5.0  # where exposure times are not known: so many frame periods
_WHOLE_RUN_S = 300.0  # so long an exposure, or longer, holds a whole run


@dataclass(frozen=True, slots=True)
class Planned:
    """A row of the run sheet to be."""

    run: str
    robot: str  # "" where nobody can tell yet
    repeat: int | None
    frames: str
    use: bool = True
    note: str = ""
    start: str = ""
    end: str = ""


@dataclass(frozen=True, slots=True)
class Usual:
    """What a run took in an earlier night: medians over its runs; None where nothing tells."""

    frames: float | None = None
    frame_bytes: float | None = None
    duration_s: float | None = None


@dataclass(frozen=True, slots=True)
class Effort:
    """What a night takes; None where nothing tells."""

    frames: int | None
    size_bytes: int | None
    drive_s: float | None  # of robots driving, without what lies between runs


@dataclass(frozen=True, slots=True)
class Taken:
    """A picture and when it was taken by its camera's clock, None if that is not known."""

    name: str
    moment: datetime | None
    exposure_s: float | None = None


def blocked_order(robots: Sequence[str], repeats: int, seed: int) -> tuple[Planned, ...]:
    """Return the runs of a night: each block holds every robot once, in random order.

    So whatever drifts over the night (light, floor, batteries, people) meets all robots alike, and repeats of one robot
    are spread over it. Equal seeds give equal orders. Source: randomised complete block design; NIST/SEMATECH
    e-Handbook of Statistical Methods, 5.3.3.2.
    """
    # `random` keeps its sequences from version to version for shuffling less surely than for random().
    draw = random.Random(seed)
    order = []
    for repeat in range(1, repeats + 1):
        for robot in sorted(robots, key={robot: draw.random() for robot in sorted(robots)}.__getitem__):
            run = f"{robot}-{repeat}"
            order.append(Planned(run, robot, repeat, run))
    return tuple(order)


def effort(runs: int, usual: Usual, duration_s: float | None) -> Effort:
    """Return what so many runs take if they are as `usual`, but each `duration_s` long where that is given."""
    longer = 1.0
    if duration_s is not None and usual.duration_s and usual.frames and usual.frames > 1:
        longer = duration_s / usual.duration_s
    frames = None if usual.frames is None else round(runs * usual.frames * longer)
    size = None if frames is None or usual.frame_bytes is None else round(frames * usual.frame_bytes)
    lasts_s = duration_s if duration_s is not None else usual.duration_s
    return Effort(frames, size, None if lasts_s is None else runs * lasts_s)


def runs_by_pauses(pictures: Sequence[Taken]) -> tuple[Planned, ...]:
    """Propose runs from the pauses between pictures, which are in the order in which the camera counted them.

    A pause is a minute or more without exposure, and longer than a dark frame as long as the exposure accounts for;
    where exposure times are unknown it is a step of a minute or more, and of five frame periods (the median step). A
    clock that goes back is one too. An exposure of five minutes or more is a run by itself. Pictures of unknown time
    belong to the run before them. Who drove is not known: `robot` is left empty.
    """
    groups: list[list[Taken]] = []
    last: Taken | None = None
    usual_s = _usual_step(pictures)
    for one in pictures:
        if not groups or _parted(last, one, usual_s):
            groups.append([])
        groups[-1].append(one)
        last = last if one.moment is None else one
    short = max(len(group) for group in groups) > FEWEST_FRAMES if groups else False
    return tuple(_proposed(at, group, short) for at, group in enumerate(groups, start=1))


def _parted(last: Taken | None, one: Taken, usual_s: float) -> bool:
    """Say whether a pause lies between two pictures."""
    if last is None or last.moment is None or one.moment is None:
        return False
    step_s = (one.moment - last.moment).total_seconds()
    if last.exposure_s is None:
        return step_s < 0 or step_s >= max(_PAUSE_S, _PAUSE_PERIODS * usual_s)
    dark_s = step_s - last.exposure_s
    return step_s < 0 or last.exposure_s >= _WHOLE_RUN_S or dark_s >= max(_PAUSE_S, _PAUSE_EXPOSURES * last.exposure_s)


def _usual_step(pictures: Sequence[Taken]) -> float:
    moments = [one.moment for one in pictures if one.moment is not None]
    steps_s = [(later - earlier).total_seconds() for earlier, later in pairwise(moments)]
    return median([step_s for step_s in steps_s if step_s > 0] or [0.0])


def _proposed(number: int, group: Sequence[Taken], among_series: bool) -> Planned:
    first, last = group[0], group[-1]
    few = among_series and len(group) < FEWEST_FRAMES
    count = f"{len(group)} frame{'' if len(group) == 1 else 's'}"
    return Planned(
        run=f"run-{number}",
        robot="",
        repeat=None,
        frames=first.name if len(group) == 1 else f"{first.name}..{last.name}",
        use=not few,
        note=f"{count}: reference or trial shot?" if few else count,
        start=_clock(first.moment),
        end=_clock(last.moment and last.moment + timedelta(seconds=last.exposure_s or 0.0)),
    )


def _clock(moment: datetime | None) -> str:
    return "" if moment is None else f"{moment:%H:%M:%S}"
