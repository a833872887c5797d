"""Kill batches and workers at random moments and continue them, in one process that need not load everything anew.

python tests/season/killing.py SEASON MOMENTS

Prints, as JSON, first for batches and then for workers, at how many moments there was work left, and how many results
differed or were not there.
"""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import sys
import threading
import time
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import active_children, get_context
from pathlib import Path

import cv2
from whole import litter, stored

from coverage_lab.season.batch import measure_all
from coverage_lab.season.jobs import find_jobs
from coverage_lab.season.pool import _begin_worker
from coverage_lab.season.wanted import look_through


def crew() -> ProcessPoolExecutor:
    """Two workers, forked: they start at once, with the same initializer as ever."""
    return ProcessPoolExecutor(2, mp_context=get_context("fork"), initializer=_begin_worker)


def measure(season: Path, *, again: bool = False, workers: bool = False) -> int:
    """Measure; return how many runs were to be measured."""
    wanted = look_through(find_jobs([season]), again=again)
    how = {"start": crew, "in_flight": 4} if workers else {}
    measure_all(wanted, lambda outcome: None, again=again, **how)
    return sum(len(one.reasons) for one in wanted)


def kill_batches(season: Path, moments: int) -> dict[str, int]:
    """Kill the parent of two workers, each time at another moment of a pass."""
    (night,) = (path.parent for path in season.glob("*/night.toml"))
    draw = random.Random(11)
    measure(season, workers=True)
    whole, begun = stored(night), time.monotonic()
    measure(season, workers=True, again=True)  # the first pass loaded what later ones find
    pass_s = time.monotonic() - begun
    found = {"unfinished": 0, "different": 0, "litter": 0, "not done": 0}
    for _ in range(moments):
        shutil.rmtree(night / "results")
        batch = os.fork()
        if not batch:
            measure(season, workers=True)
            os._exit(0)
        time.sleep(draw.uniform(0, pass_s))
        os.kill(batch, signal.SIGKILL)
        os.waitpid(batch, 0)
        unfinished = measure(season) > 0
        found["unfinished"] += unfinished
        pass_s *= 1.1 if unfinished else 0.7  # other programs may slow this one down by times
        found["different"] += stored(night) != whole
        found["litter"] += len(litter(night))
        found["not done"] += measure(season)
    return found


def kill_workers(season: Path, moments: int) -> dict[str, int]:
    """Kill one worker after another while a pass is going on."""
    (night,) = (path.parent for path in season.glob("*/night.toml"))
    measure(season)
    whole, draw = stored(night), random.Random(12)
    killed, over = 0, threading.Event()

    def kill() -> None:
        nonlocal killed
        while killed < moments and not over.wait(draw.uniform(0.02, 0.3)):
            alive = [child.pid for child in active_children() if child.pid]
            if alive:
                os.kill(draw.choice(alive), signal.SIGKILL)
                killed += 1

    killer = threading.Thread(target=kill)
    killer.start()
    while killed < moments:
        measure(season, again=True, workers=True)
    over.set()
    killer.join()
    measure(season)  # runs that were hit twice have failed, and are tried again
    for path in night.glob("results/*/earlier/*"):  # the numbers before they failed, and the failure
        assert json.loads(path.read_bytes())["verdict"] in ("failed", "measured")
    return {"killed": killed, "different": int(stored(night) != whole), "not done": measure(season)}


if __name__ == "__main__":
    cv2.setNumThreads(1)  # a process that uses its threads cannot be forked
    season, moments = Path(sys.argv[1]), int(sys.argv[2])
    print(json.dumps([kill(season, moments) for kill in (kill_batches, kill_workers)]))
