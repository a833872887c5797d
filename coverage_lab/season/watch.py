"""Watch a folder and measure what is dropped into it, for weeks.

Changes come from the operating system; each wakes the night it belongs to, which is then looked at until nothing in
it is awaited any more. A full look at longer intervals finds what no change told of.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path

from watchfiles import Change, watch

from coverage_lab.errors import BadInput, CoverageLabError, Problem
from coverage_lab.files.places import is_junk
from coverage_lab.files.shelf import RESULTS
from coverage_lab.season.inbox import RECEIVING, RETRY_S, Inbox, find_inboxes
from coverage_lab.season.index import NAME as INDEX
from coverage_lab.season.summary import Summary
from coverage_lab.season.wanted import Wanted, look_through
from coverage_lab.season.work import Outcome, unexpected

TICK_MS = 500
EVERYTHING_S = 900.0  # changes can be missed: too many at once, or made on another machine
SAY_AGAIN_S = 60.0  # progress in receiving is not told more often than that

Measure = Callable[[tuple[Wanted, ...], Callable[[Outcome], None]], Summary]


@dataclass(slots=True)
class _Told:
    text: str
    at_s: float


@dataclass(slots=True)
class Watcher:
    """Watches `folder`: a night, a season, or a folder of such. `say` tells one line, `measure` does what is ready."""

    folder: Path
    say: Callable[[str], None]
    measure: Measure
    settle_s: float | None = None
    poll: bool = False
    _nights: dict[Path, Inbox] = field(default_factory=dict)
    _due_s: dict[Path, float] = field(default_factory=dict)  # when which night is looked at next
    _told: dict[tuple[Path, str], _Told] = field(default_factory=dict)
    _everything_s: float = 0.0

    def run(self) -> None:
        """Watch until KeyboardInterrupt. Raises BadInput where the folder can't be watched at all."""
        if not self.folder.is_dir():
            raise BadInput(Problem(self.folder, "", "there is no such folder", "Make it, or correct the name"))
        while True:
            self._while_there(_identity(self.folder))
            self.say(f"{self.folder} is gone; waiting for it to come back")
            while _identity(self.folder) is None:
                time.sleep(TICK_MS / 1000)

    def _while_there(self, identity: tuple[int, int] | None) -> None:
        """Watch as long as the folder is the one that it was."""
        self._nights.clear()
        self._due_s.clear()
        self._told.clear()
        self._everything_s = 0.0
        self.say(f"watching {self.folder}; Ctrl-C stops")
        try:
            for changes in watch(
                self.folder,
                watch_filter=None,
                rust_timeout=TICK_MS,
                yield_on_timeout=True,
                force_polling=self.poll,
                ignore_permission_denied=True,
            ):
                if _identity(self.folder) != identity:
                    return
                self.step(changes, time.monotonic())
        except OSError as error:
            if _identity(self.folder) == identity:
                mend = "Watch it with --poll, or let the system watch more files"
                raise BadInput(Problem(self.folder, "", f"cannot be watched ({error})", mend)) from error

    def step(self, changes: Iterable[tuple[Change, str]], now_s: float) -> None:
        """Take in changes, look at the nights that are due, and measure what is ready."""
        self._wake([Path(path) for _, path in changes], now_s)
        wanted: list[Wanted] = []
        for folder in [folder for folder, due_s in self._due_s.items() if due_s <= now_s]:
            wanted += self._look(folder, now_s)
        if wanted:
            self._measure(tuple(wanted))

    def _wake(self, paths: list[Path], now_s: float) -> None:
        """Note which nights are to be looked at. What is in no night may make one, or concern all of its season."""
        relevant = [path for path in paths if self._concerns_us(path)]
        elsewhere = [path for path in relevant if not any(path.is_relative_to(night) for night in self._nights)]
        new = self._find(now_s) if elsewhere or now_s >= self._everything_s else set()
        for night in self._nights:
            touched = any(path.is_relative_to(night) for path in relevant)
            of_season = any(_is_paper_of_season(path, night.parent) for path in elsewhere)
            if touched or of_season or night in new or now_s >= self._everything_s:
                self._due_s.setdefault(night, now_s)
                self._due_s[night] = min(self._due_s[night], now_s)
        if now_s >= self._everything_s:
            self._everything_s = now_s + EVERYTHING_S

    def _concerns_us(self, path: Path) -> bool:
        parts = path.relative_to(self.folder).parts if path.is_relative_to(self.folder) else ()
        return not any(part == RESULTS or part.startswith(INDEX) or is_junk(part) for part in parts)

    def _find(self, now_s: float) -> set[Path]:
        """Find nights again; return those that are new."""
        try:
            found = find_inboxes(self.folder)
        except OSError:
            return set()  # being renamed or deleted, which the next tick notices
        for gone in self._nights.keys() - set(found):
            self._drop(gone)
        new = set(found) - self._nights.keys()
        self._nights |= {night: Inbox(night, self.settle_s) for night in sorted(new)}
        return new

    def _drop(self, night: Path) -> None:
        if not night.is_dir():
            self._tell(night, {night.name: "is gone"}, 0.0)
        self._nights.pop(night)
        self._due_s.pop(night, None)
        self._told = {key: told for key, told in self._told.items() if key[0] != night}

    def _look(self, night: Path, now_s: float) -> tuple[Wanted, ...]:
        try:
            looked = self._nights[night].look(now_s)
        except Exception as error:  # also a mistake of ours: the other nights go on
            if not night.is_dir():
                self._drop(night)
                return ()
            what = f"cannot be read ({error.strerror})" if isinstance(error, OSError) else str(unexpected(error))
            self._tell(night, {night.name: what}, now_s)
            self._due_s[night] = now_s + RETRY_S
            return ()
        self._tell(night, looked.says, now_s)
        if looked.done:
            self.say(f"{night.name}: {looked.done} done before; results are in {night / RESULTS}")
        if looked.again_s is None:
            self._due_s.pop(night)
        else:
            self._due_s[night] = looked.again_s
        return look_through((looked.job,)) if looked.job else ()

    def _measure(self, wanted: tuple[Wanted, ...]) -> None:
        stored: set[str] = set()

        def report(outcome: Outcome) -> None:
            if outcome.stored:
                stored.add(outcome.key)

        try:
            self.say(str(self.measure(wanted, report)))
        except (CoverageLabError, OSError) as error:  # a folder that went meanwhile
            self.say(str(error))
        now_s = time.monotonic()
        for one in wanted:
            folder = next(night for night in self._nights if night.resolve() == one.job.night.folder)
            left = {run for run in one.reasons if f"{one.job.night.name}/{run}" not in stored}
            if left:
                self._nights[folder].give_back(left, now_s)
                names = ", ".join(sorted(left)[:3]) + (f" and {len(left) - 3} more" if len(left) > 3 else "")
                self.say(f"{folder.name}: {names} could not be done; trying again in {RETRY_S:.0f} s")
            else:
                self.say(f"{folder.name}: results are in {folder / RESULTS}")
            self._due_s[folder] = now_s

    def _tell(self, night: Path, says: dict[str, str] | None, now_s: float) -> None:
        """Say what is new; what only counts on, not too often."""
        if says is None:
            return
        for name, text in says.items():
            told = self._told.get((night, name))
            counts_on = told is not None and told.text.startswith(RECEIVING) and text.startswith(RECEIVING)
            if told is None or (told.text != text and (not counts_on or now_s >= told.at_s + SAY_AGAIN_S)):
                self._told[night, name] = _Told(text, now_s)
                self.say(f"{name}: {text}")
        for key in [key for key in self._told if key[0] == night and key[1] not in says]:
            del self._told[key]


def _is_paper_of_season(path: Path, season: Path) -> bool:
    return path == season / "robots.toml" or path.is_relative_to(season / "rooms")


def _identity(folder: Path) -> tuple[int, int] | None:
    """Return what tells a folder from another one of its name; None if there is none."""
    try:
        facts = folder.stat()
    except OSError:
        return None
    return facts.st_dev, facts.st_ino
