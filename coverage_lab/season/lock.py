"""One night is worked on by one batch: a lock file that says whose it is."""

from __future__ import annotations

import json
import os
import platform
import secrets
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from coverage_lab.errors import CannotWrite, Problem

NAME = ".lock"

_mine: set[str] = set()  # tokens of the locks that this process holds


class Locked(CannotWrite):
    """Another batch is working on this night."""


@contextmanager
def locked(folder: Path) -> Iterator[None]:
    """Hold the lock of a night's results `folder`, which is made. Raises Locked if another process holds it.

    A lock whose process on this machine is gone is taken over, and one that this process held in a night that was
    renamed meanwhile; one of another machine can't be judged from here.
    Raises CannotWrite where no lock can be written.
    """
    lock = folder / NAME
    pid = os.getpid()
    token = secrets.token_hex(8)
    owner = {"host": platform.node(), "pid": pid, "born": _born(pid), "token": token}
    mine = json.dumps(owner).encode()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        while not _create(lock, mine):
            held = _read(lock)
            if held is not None:
                _take_away(lock, held)
    except OSError as error:
        wrong = f"cannot be written ({(error.strerror or str(error)).lower()})"
        raise CannotWrite(Problem(lock, "", wrong, "Check the folder and measure again")) from error
    _mine.add(token)
    try:
        yield
    finally:
        _mine.discard(token)
        with suppress(OSError):
            if lock.read_bytes() == mine:
                lock.unlink()


def _create(lock: Path, content: bytes) -> bool:
    try:
        stream = lock.open("xb")
    except FileExistsError:
        return False
    try:
        with stream:
            stream.write(content)
    except OSError:
        lock.unlink(missing_ok=True)  # a full disk; an empty lock would be nobody's
        raise
    return True


def _read(lock: Path) -> bytes | None:
    try:
        return lock.read_bytes()
    except FileNotFoundError:
        return None


def _take_away(lock: Path, held: bytes) -> None:
    """Take a stale lock away, unless another batch was quicker. Raises Locked if it is not stale."""
    try:
        owner = json.loads(held)
        host, pid = str(owner["host"]), int(owner["pid"])
    except (ValueError, KeyError, TypeError):
        raise Locked(Problem(lock, "", "is of an unknown process", "If none is measuring here, remove it")) from None
    if host != platform.node() or _is_held(pid, owner):
        wrong = f"this night is being measured by process {pid} on {host}"
        raise Locked(Problem(lock, "", wrong, "If that is not so, remove the file"))
    aside = lock.with_name(f"{NAME}.{secrets.token_hex(8)}")
    try:
        lock.rename(aside)
    except FileNotFoundError:
        return
    # Between reading and taking away, another batch may have done the same and locked: give it back.
    if aside.read_bytes() != held:
        with suppress(FileExistsError):
            os.link(aside, lock)
    aside.unlink()


def _is_held(pid: int, owner: dict[str, object]) -> bool:
    """Say whether a process of this machine is there and holds the lock."""
    if pid == os.getpid() and owner.get("born") == _born(pid):
        return owner.get("token") in _mine
    return _is_alive(pid) and _born(pid) == owner.get("born")


def _is_alive(pid: int) -> bool:
    if os.name == "nt":
        return True  # asking would end it there
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True


def _born(pid: int) -> str | None:
    """Return when a process was started, so that its number given to another one is noticed; None if unknown.

    Source: proc_pid_stat(5), field 22, in ticks since the machine's start; Linux only.
    """
    try:
        return Path(f"/proc/{pid}/stat").read_text("ascii", "replace").rpartition(")")[2].split()[19]
    except (OSError, IndexError):
        return None
