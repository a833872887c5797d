"""Read the frames of a series one after the other, the next ones while the present one is worked on."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path

from coverage_lab.errors import UnreadableFrame
from coverage_lab.frames.read import Frame, read_frame

# Decoding takes longer than all that follows: two threads keep two cores busy beside the one that computes.
_THREADS = 2
_AHEAD = 2  # frames decoded or waiting beside the one in work: memory holds three or four, however many there are


def frames_of(paths: Sequence[Path]) -> Iterator[Frame | UnreadableFrame]:
    """Yield each frame in the order of `paths`, or the error that says why it cannot be read.

    Decoding runs in threads of its own, beside what is done with the frame before: decoders give the lock free.
    """
    if len(paths) == 1:
        yield _attempt(paths[0])
        return
    with ThreadPoolExecutor(_THREADS, thread_name_prefix="decode") as pool:
        waiting: deque[Future[Frame | UnreadableFrame]] = deque()
        try:
            for path in paths:
                waiting.append(pool.submit(_attempt, path))
                if len(waiting) > _AHEAD:
                    yield waiting.popleft().result()
            while waiting:
                yield waiting.popleft().result()
        finally:
            for later in waiting:
                later.cancel()


def _attempt(path: Path) -> Frame | UnreadableFrame:
    try:
        return read_frame(path)
    except UnreadableFrame as error:
        return error
