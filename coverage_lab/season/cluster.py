"""Workers on other machines, through dask.distributed: an executor like any other, once it is sure of its workers.

The runs' pictures are not sent: workers read them, and write results into staging folders, on a drive that all see.
"""

from __future__ import annotations

import secrets
import socket
import threading
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import BrokenExecutor, CancelledError, Executor, Future
from concurrent.futures import wait as wait_for
from contextlib import suppress
from dataclasses import dataclass, fields, is_dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any, ParamSpec, TypeVar

from coverage_lab import __version__
from coverage_lab.errors import BadInput, CoverageLabError, ExitCode, Problem
from coverage_lab.files.store import make_folder, write_file
from coverage_lab.job import METHOD
from coverage_lab.season.pool import Here, one_thread

R = TypeVar("R")
P = ParamSpec("P")

ANSWER_S = 5.0  # a scheduler that is there answers sooner
NO_WORKER_S = 30.0  # so long a batch waits for a worker to come back when the last one is gone
_LOOK_S = 1.0

PathMap = tuple[Path, Path]  # a folder here, and the same folder as workers call it


class NoCluster(CoverageLabError):
    """The cluster cannot be used."""


class ClusterLost(CoverageLabError):
    """The cluster can't be used any more. What was measured before is kept."""

    exit_code = ExitCode.SOME_FAILED


@dataclass(frozen=True, slots=True)
class Probe:
    """What a worker says of itself."""

    version: str
    method: int
    sees: tuple[bool, ...]  # of each folder: whether it has found and written there what it was told to


def read_path_map(texts: Sequence[str]) -> tuple[PathMap, ...]:
    """Return the folders that workers call otherwise, from LOCAL=REMOTE. Raises BadInput."""
    found = []
    for text in texts:
        local, equals, remote = text.partition("=")
        if not (equals and local and Path(remote).is_absolute()):
            wrong = f"{text!r} does not read LOCAL=REMOTE with a whole path on the workers' side"
            raise BadInput(Problem(None, "--path-map", wrong, "Write for instance /data=/mnt/data"))
        found.append((Path(local).resolve(), Path(remote)))
    return tuple(found)


def crew_of(address: str, results: Iterable[Path], path_map: tuple[PathMap, ...]) -> tuple[Callable[[], Executor], int]:
    """Return what starts an executor on the cluster at `address`, and how many runs to hand out at a time.

    `results` are the nights' folders of results, which the workers must see. Raises NoCluster if there is no such
    cluster, or if one of its workers would give other results or none.
    """
    folders = tuple(results)
    if not folders:
        return Here, 1  # nothing to measure
    first = [Cluster(address, folders, path_map)]

    def start() -> Executor:
        if first:
            return first.pop()
        try:
            return Cluster(address, folders, path_map, NO_WORKER_S)
        except NoCluster as error:
            raise ClusterLost(error.problems) from error

    return start, first[0].workers + 2  # so that a worker that is done finds its next run there


class Cluster(Executor):
    """An executor whose workers are those of a dask scheduler. A run whose workers died breaks that run's future."""

    def __init__(
        self, address: str, folders: tuple[Path, ...], path_map: tuple[PathMap, ...], patience_s: float = 0.0
    ) -> None:
        """Wait so long for a worker, if there is none. Raises NoCluster."""
        self._client = _connect(address)
        self._path_map = path_map
        self._open: set[Future[Any]] = set()
        self._closed = threading.Event()
        try:
            until_s = time.monotonic() + patience_s
            while not self.workers and time.monotonic() < until_s:
                time.sleep(_LOOK_S / 4)
            self._check(address, folders)
        except BaseException:
            self._client.close()
            raise
        # Each job is another one, whatever it is called with; taken for pure, an old answer would be given.
        self._executor = self._client.get_executor(pure=False)
        threading.Thread(target=self._watch, daemon=True).start()

    @property
    def workers(self) -> int:
        """How many workers there are now."""
        return len(self._client.scheduler_info(n_workers=-1)["workers"])

    def submit(self, fn: Callable[P, R], /, *args: P.args, **kwargs: P.kwargs) -> Future[R]:
        """Hand a job to the cluster; its paths are given as workers call them."""
        ours: Future[R] = Future()
        self._open.add(ours)
        ours.add_done_callback(self._open.discard)
        try:
            theirs = self._executor.submit(_elsewhere, self._path_map, fn, *args, **kwargs)
        except Exception as error:  # the connection is gone
            ours.set_exception(BrokenExecutor(str(error)))
        else:
            theirs.add_done_callback(partial(_pass_on, ours))
        return ours

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """Wait for the jobs that were handed out, which are few, and leave the cluster.

        None is cancelled: a worker would go on with it, and write where the next batch writes.
        """
        if wait:
            wait_for(tuple(self._open))
        self._closed.set()
        self._client.close()

    def _check(self, address: str, folders: tuple[Path, ...]) -> None:
        """Make sure that every worker sees the nights, may write there, and measures as this program does."""
        info = self._client.scheduler_info(n_workers=-1)["workers"]
        if not info:
            raise NoCluster(Problem(None, address, "the scheduler has no workers", "Start some: docs/cluster.md"))
        problems = [
            Problem(None, name, f"works on {one['nthreads']} runs at once", "Start it with --nthreads 1")
            for name, one in info.items()
            if one["nthreads"] != 1
        ]
        token = secrets.token_hex(8)
        marks = [folder / f".probe-{token}" for folder in folders]
        try:
            for mark in marks:
                make_folder(mark.parent)
                write_file(mark, token.encode())
            told = self._client.run(probe, moved(tuple(marks), self._path_map), token, on_error="return")
            told[address] = self._scheduler()  # which reads what is sent to workers
            for name, answer in told.items():
                problems += judge(name, answer, marks)
        finally:
            for mark in marks:
                for file in mark.parent.glob(f"{mark.name}*"):
                    with suppress(OSError):
                        file.unlink()
        if problems:
            raise NoCluster(problems)

    def _scheduler(self) -> Probe | Exception:
        try:
            return self._client.run_on_scheduler(probe, (), "")  # type: ignore[no-any-return]
        except Exception as error:
            return error

    def _watch(self) -> None:
        """Break what waits for ever: jobs on a cluster that has lost its last worker."""
        alone_since_s: float | None = None
        while not self._closed.wait(_LOOK_S):
            try:
                gone = not self.workers
            except Exception:  # the scheduler is gone; its futures are cancelled by the client
                gone = True
            alone_since_s = (alone_since_s or time.monotonic()) if gone else None
            if alone_since_s is not None and time.monotonic() - alone_since_s >= NO_WORKER_S:
                for future in tuple(self._open):
                    _set(future, BrokenExecutor("the cluster has no worker any more"))


def probe(marks: tuple[Path, ...], token: str) -> Probe:
    """Runs on a worker: read what was written into each folder, and write something beside it."""
    sees = []
    for mark in marks:
        try:
            same = mark.read_bytes() == token.encode()
            mark.with_name(f"{mark.name}-{secrets.token_hex(4)}").write_bytes(b"")
        except OSError:
            same = False
        sees.append(same)
    return Probe(__version__, METHOD, tuple(sees))


def moved(value: Any, path_map: tuple[PathMap, ...]) -> Any:
    """Return a value with all paths in it, however deep, as workers call them."""
    if not path_map:
        return value
    if isinstance(value, Path):
        fitting = ((here, there) for here, there in path_map if value.is_relative_to(here))
        return next((there / value.relative_to(here) for here, there in fitting), value)
    if isinstance(value, tuple | list):
        return type(value)(moved(one, path_map) for one in value)
    if isinstance(value, Mapping):
        return {key: moved(one, path_map) for key, one in value.items()}
    if is_dataclass(value) and not isinstance(value, type):
        inner = {one.name: getattr(value, one.name) for one in fields(value) if one.init}
        changed = {name: new for name, old in inner.items() if (new := moved(old, path_map)) is not old}
        return replace(value, **changed) if changed else value
    return value


def _elsewhere(path_map: tuple[PathMap, ...], fn: Callable[..., R], *args: Any, **kwargs: Any) -> R:
    """Runs on a worker."""
    one_thread()
    return fn(*moved(args, path_map), **moved(kwargs, path_map))


def _connect(address: str) -> Any:
    try:
        from distributed import Client
        from distributed.comm.addressing import get_address_host_port
    except ImportError:
        mend = "Install coverage-lab[cluster]"
        raise NoCluster(Problem(None, "--cluster", "needs the package distributed", mend)) from None
    try:
        # A client that finds nobody hangs for a while when it is thrown away: knock first.
        socket.create_connection(get_address_host_port(address, strict=True), ANSWER_S).close()
        return Client(address, timeout=ANSWER_S, set_as_default=False)
    except (OSError, ValueError) as error:
        wrong = f"no scheduler answers ({error})"
        raise NoCluster(Problem(None, address, wrong, "Start one, or correct the address: docs/cluster.md")) from None


def judge(name: str, answer: Probe | BaseException, marks: Sequence[Path]) -> list[Problem]:
    """Return what is wrong with a worker, or the scheduler, by what it answered."""
    if isinstance(answer, BaseException):
        wrong = f"cannot run coverage-lab ({type(answer).__name__}: {answer})"
        return [Problem(None, name, wrong, f"Install coverage-lab {__version__} there")]
    if (answer.version, answer.method) != (__version__, METHOD):
        wrong = f"has coverage-lab {answer.version} (method {answer.method})"
        return [Problem(None, name, wrong, f"Install {__version__} (method {METHOD}) there")]
    unseen = [mark.parents[1] for mark, seen in zip(marks, answer.sees, strict=False) if not seen]
    mend = "Mount it there for reading and writing, or tell --path-map where it is mounted"
    return [Problem(None, name, f"does not see {unseen[0]}, or may not write there", mend)] if unseen else []


def _pass_on(ours: Future[R], theirs: Future[R]) -> None:
    """Give our future what came of theirs; a job whose workers died, or that was lost on the way, is broken."""
    if theirs.cancelled():
        _set(ours, BrokenExecutor("the connection to the scheduler was lost"))
        return
    from distributed import KilledWorker

    error = theirs.exception()
    if isinstance(error, KilledWorker | CancelledError):
        _set(ours, BrokenExecutor(str(error)))
    elif error is not None:
        _set(ours, error)
    elif not ours.done():
        ours.set_result(theirs.result())


def _set(future: Future[Any], error: BaseException) -> None:
    if not future.done():
        future.set_exception(error)
