"""Who does the work: worker processes, or this one. One loop drives both, with few jobs in flight."""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Executor, Future, ProcessPoolExecutor, wait
from itertools import islice
from multiprocessing import get_context, parent_process
from multiprocessing.connection import wait as wait_for
from types import TracebackType
from typing import Generic, ParamSpec, TypeVar

J = TypeVar("J")
R = TypeVar("R")
P = ParamSpec("P")

# Each worker has one core: threads inside one would only fight over it. Libraries read these when they are loaded.
_ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")


class Here(Executor):
    """An executor that does each job in this process, when it is submitted."""

    def submit(self, fn: Callable[P, R], /, *args: P.args, **kwargs: P.kwargs) -> Future[R]:
        """Do the job; Ctrl-C passes through."""
        future: Future[R] = Future()
        try:
            future.set_result(fn(*args, **kwargs))
        except Exception as error:
            future.set_exception(error)
        return future


def processes(workers: int) -> Executor:
    """Return an executor of worker processes, each with one thread, which end when this process does."""
    return ProcessPoolExecutor(workers, mp_context=get_context("spawn"), initializer=_begin_worker)


def one_thread() -> None:
    """Let this process work with a single thread."""
    os.environ.update(dict.fromkeys(_ONE_THREAD, "1"))
    import cv2  # and with it NumPy, which reads these

    cv2.setNumThreads(1)


def _begin_worker() -> None:
    one_thread()
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C reaches all processes; the parent decides
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    """Without this a worker whose parent was killed would wait for jobs for ever."""
    parent = parent_process()
    if parent is not None:
        wait_for([parent.sentinel])
        os._exit(1)


class Pool(Generic[J, R]):
    """Does jobs by `work`, on executors that `start` makes; one whose worker died is replaced."""

    def __init__(self, work: Callable[[J], R], start: Callable[[], Executor], in_flight: int) -> None:
        self._work, self._start, self._in_flight = work, start, in_flight
        self._pending: dict[Future[R], J] = {}
        self._executor: Executor | None = None

    def __enter__(self) -> Pool[J, R]:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._executor is not None:
            self._executor.shutdown(cancel_futures=True)

    def results(self, jobs: Iterable[J]) -> Iterator[tuple[J, R | Exception]]:
        """Yield each job and what came of it, as they are done; BrokenExecutor for one that killed its worker twice.

        If a worker process dies, nobody can tell whose job it was, and all in flight are lost; a cluster loses only
        that job. When nothing else is in flight, lost jobs are each tried once more, alone. What a job raised, or what
        kept its answer from being sent, comes back in its place.
        """
        coming = iter(jobs)
        lost: list[J] = []
        while True:
            if not lost:
                for job in islice(coming, self._in_flight - len(self._pending)):
                    self._pending[self._submit(job)] = job
            if self._pending:
                done, _ = wait(self._pending, return_when=FIRST_COMPLETED)
                for future in done:
                    job = self._pending.pop(future)
                    if isinstance(future.exception(), BrokenExecutor):
                        lost.append(job)
                    else:
                        yield job, self._outcome(future)
            elif lost:
                self._replace()
                yield from ((job, self._alone(job)) for job in lost)
                lost = []
            else:
                return

    def finished(self) -> Iterator[tuple[J, R]]:
        """Wait for the jobs that workers have begun, drop the others, and yield those that came to their end."""
        if self._executor is not None:
            self._executor.shutdown(cancel_futures=True)
        for future, job in self._pending.items():
            if not future.cancelled() and future.exception() is None:
                yield job, future.result()
        self._pending.clear()

    def _submit(self, job: J) -> Future[R]:
        try:
            if self._executor is None:
                self._executor = self._start()
            return self._executor.submit(self._work, job)
        except BrokenExecutor as error:
            broken: Future[R] = Future()
            broken.set_exception(error)
            return broken

    def _alone(self, job: J) -> R | Exception:
        future = self._submit(job)
        if isinstance(future.exception(), BrokenExecutor):
            self._replace()
        return self._outcome(future)

    @staticmethod
    def _outcome(future: Future[R]) -> R | Exception:
        error = future.exception()
        return error if isinstance(error, Exception) else future.result()

    def _replace(self) -> None:
        if self._executor is not None:
            self._executor.shutdown(cancel_futures=True)
        self._executor = None
