"""A night whose files are still coming in: looks at its folder, and says what can be measured and what is awaited."""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from coverage_lab.errors import BadInput, UnreadableFrame
from coverage_lab.files.night import results_folder
from coverage_lab.files.places import is_junk, is_picture, natural
from coverage_lab.files.sheet import RunsSoFar
from coverage_lab.files.shelf import RESULTS
from coverage_lab.frames.read import read_frame
from coverage_lab.job import Night, Run
from coverage_lab.season import ledger
from coverage_lab.season.arrivals import STEADY_S, Arrivals, Entry, Expected, Standing
from coverage_lab.season.jobs import NightJob, job_so_far

PAPERS = frozenset({".toml", ".csv", ".json", ".geojson"})  # endings of what people write
OF_SEASON = frozenset({RESULTS, "rooms", "pickup"})  # folders in a season that are no nights
RECEIVING = "receiving"
RETRY_S = 60.0  # after a disk was full, or another batch had the night
AWAITED_S = 120.0  # what is awaited may come where nobody tells us: into the season above, or on a network drive


@dataclass(frozen=True, slots=True)
class Looked:
    """What one look at a night gave."""

    job: NightJob | None = None  # the night with those of its runs that are ready and were not handed out before
    says: dict[str, str] | None = None  # of the night or a run, by name: what is awaited or wrong; None: not known yet
    again_s: float | None = None  # when to look again although nothing comes; None: only if something comes
    done: int = 0  # runs that were found to have results that hold


@dataclass(frozen=True, slots=True)
class _Read:
    """The night as its papers describe it at present, or what is wrong with them."""

    job: NightJob | None = None
    so_far: RunsSoFar | None = None
    says: str = ""


class Inbox:
    """One night. While nothing is awaited it remembers only which runs it has handed out."""

    def __init__(self, folder: Path, settle_s: float | None = None) -> None:
        self.folder = folder
        self._settle_s = settle_s
        self._handed: dict[str, int] = {}  # by run: what it was made of, when it was handed out
        self._retry_s: float | None = None
        self._arrivals: Arrivals
        self._read: _Read | None
        self._listing: int
        self._judged: dict[str, int]  # by run: what it was made of, when its results were found not to hold
        self._doze()

    def look(self, now_s: float) -> Looked:
        """Look at the folder; `now_s` is a clock that never goes back. Raises OSError where that cannot be done."""
        entries = look_into(self.folder)
        self._arrivals.look(entries, now_s)
        papers = [name for name in entries if Path(name).suffix.casefold() in PAPERS]
        again_s = self._arrivals.steady_from_s(papers)
        if again_s is not None:
            return self._receiving(entries, again_s)
        listing = hash(self._arrivals.stamps(sorted(entries)))
        if self._read is None or listing != self._listing:
            self._read, self._listing = _read(self.folder), listing
        looked = self._sorted_out(self._read, papers, now_s)
        if looked.job is None and looked.again_s is None:
            again_s = self._arrivals.steady_from_s(entries)
            if again_s is None:
                self._doze()
            if again_s is None and looked.says:
                again_s = now_s + AWAITED_S
            looked = replace(looked, again_s=again_s)
        return looked

    def give_back(self, ids: set[str], now_s: float) -> None:
        """Take back runs that were handed out but whose results could not be stored; they are tried again later."""
        self._handed = {id: made_of for id, made_of in self._handed.items() if id not in ids}
        self._retry_s = now_s + RETRY_S

    def _doze(self) -> None:
        """Forget the files; a later look begins anew."""
        self._arrivals = Arrivals(self._settle_s)
        self._read, self._listing, self._judged = None, 0, {}

    def _receiving(self, entries: dict[str, Entry], again_s: float) -> Looked:
        pictures = [name for name in entries if is_picture(Path(name))]
        coming = self._arrivals.steady_from_s(pictures) is not None and self._arrivals.looks > 1
        says = {self.folder.name: f"{RECEIVING}, {_count(len(pictures), 'picture')}"} if coming else None
        return Looked(says=says, again_s=again_s)

    def _sorted_out(self, read: _Read, papers: list[str], now_s: float) -> Looked:
        says = {self.folder.name: read.says} if read.says else {}
        if read.job is None or read.so_far is None:
            return Looked(says=says)
        night, papers = read.job.night, sorted(papers)
        expected = [_expected(run, night, read.so_far) for run in read.job.runs]
        if not self._arrivals.know(name for run in expected for name in run.frames):
            self._read = None  # a frame came after the look, and before the night was read
            return Looked(again_s=now_s + STEADY_S)
        made_of = {run.id: hash(self._arrivals.stamps((*papers, *run.frames, *run.shared))) for run in expected}
        done = self._pass_over_done(read.job, expected, made_of)
        left = {run.id for run in expected if self._handed.get(run.id) != made_of[run.id]}
        needed = {name for run in expected if run.id in left for name in (*run.frames, *run.shared)}
        for name in self._arrivals.unchecked(sorted(needed)):
            self._arrivals.checked(name, _decodes(night.folder / name))
        standings = [standing for standing in self._arrivals.standings(expected) if standing.id in left]
        says |= {f"{night.name}/{one.id}": _receiving(one) for one in standings if not one.ready}
        waits = [one.again_s for one in standings if one.again_s is not None]
        if self._retry_s is not None and now_s < self._retry_s:
            return Looked(says=says, again_s=min([*waits, self._retry_s]), done=done)
        self._retry_s = None
        ready = {one.id for one in standings if one.ready}
        self._handed |= {id: made_of[id] for id in ready}
        runs = tuple(run for run in read.job.runs if run.id in ready)
        return Looked(replace(read.job, runs=runs) if runs else None, says, min(waits, default=None), done)

    def _pass_over_done(self, job: NightJob, expected: list[Expected], made_of: dict[str, int]) -> int:
        """Take runs whose results still hold for handed out, so that their frames are not decoded for nothing.

        Returns how many were found.
        """
        found = 0
        for run, names in zip(job.runs, expected, strict=True):
            judged = made_of[run.id] in (self._handed.get(run.id), self._judged.get(run.id))
            if not judged and self._arrivals.steady_from_s(names.frames) is None:
                self._judged[run.id] = made_of[run.id]
                if ledger.look(run, job.night, results_folder(job.night, run.id)).why is None:
                    self._handed[run.id] = made_of[run.id]
                    found += 1
        return found


def look_into(night: Path) -> dict[str, Entry]:
    """Return the pictures and papers of a night, and those papers of its season that it may need.

    Names are paths from the night on. Results, hidden and junk files are left out, as are those behind linked
    folders. Raises OSError if the night cannot be looked into.
    """
    found: dict[str, Entry] = {}
    now = time.time()
    for path in (*_walk(night), night.parent / "robots.toml", *_files_of(night.parent / "rooms")):
        try:
            facts = path.stat()
        except OSError:
            continue  # gone since it was listed, or never there
        name = path.relative_to(night) if path.is_relative_to(night) else Path("..") / path.relative_to(night.parent)
        # The time of the last change of the entry: copying may set the time stamp of the content back.
        found[name.as_posix()] = Entry(facts.st_size, facts.st_mtime_ns, now - max(facts.st_ctime, facts.st_mtime))
    return found


def find_inboxes(top: Path) -> tuple[Path, ...]:
    """Return the folders below `top` that are nights, or will be: `top` itself, nights in it, or in seasons in it.

    A folder with pictures and without any night.toml may still get one. Raises OSError.
    """
    if (top / "night.toml").is_file():
        return (top,)
    found: list[Path] = []
    for folder in _folders_of(top):
        nights = [inner for inner in _folders_of(folder) if (inner / "night.toml").is_file()]
        if (folder / "night.toml").is_file() or (not nights and _has_pictures(folder)):
            nights = [folder]
        found += nights
    return tuple(found) or ((top,) if any(map(is_picture, _files_of(top))) else ())


def _has_pictures(folder: Path) -> bool:
    return any(any(map(is_picture, _files_of(place))) for place in (folder, *_folders_of(folder)))


def _folders_of(folder: Path) -> list[Path]:
    found = [entry for entry in folder.iterdir() if entry.is_dir() and not entry.is_symlink()]
    kept = [entry for entry in found if entry.name not in OF_SEASON and not is_junk(entry.name)]
    return sorted(kept, key=lambda entry: natural(entry.name))


def _files_of(folder: Path) -> list[Path]:
    try:
        return [entry for entry in folder.iterdir() if entry.is_file()]
    except OSError:
        return []


def _walk(folder: Path) -> Iterator[Path]:
    for entry in folder.iterdir():
        if is_junk(entry.name):
            continue
        if entry.is_dir():
            if entry.name != RESULTS and not entry.is_symlink():
                yield from _walk(entry)
        elif is_picture(entry) or entry.suffix.casefold() in PAPERS:
            yield entry


def _read(folder: Path) -> _Read:
    try:
        job, so_far = job_so_far(folder)
    except BadInput as error:
        absent = [problem.absent for problem in error.problems if problem.absent]
        others = [str(problem) for problem in error.problems if not problem.absent]
        return _Read(says="\n".join([*([_waiting(absent)] if absent else []), *others]))
    return _Read(job, so_far, _waiting([problem.absent for problem in so_far.absent]))


def _waiting(absent: list[str]) -> str:
    names = list(dict.fromkeys(absent))
    more = f" and {len(names) - 3} more" if len(names) > 3 else ""
    return f"waiting for {', '.join(names[:3])}{more}" if names else ""


def _receiving(standing: Standing) -> str:
    return f"{RECEIVING}, {_count(standing.frames, 'frame')}"


def _count(number: int, thing: str) -> str:
    return f"{number} {thing}{'' if number == 1 else 's'}"


def _expected(run: Run, night: Night, so_far: RunsSoFar) -> Expected:
    frames = tuple(frame.relative_to(night.folder).as_posix() for frame in run.frames)
    pictures = [path for path in ledger.sources(run, night).values() if is_picture(path)]
    shared = tuple(path.relative_to(night.folder).as_posix() for path in pictures if path.is_relative_to(night.folder))
    return Expected(run.id, frames, tuple(name for name in shared if name not in frames), run.id in so_far.closed)


def _decodes(path: Path) -> bool:
    try:
        read_frame(path)
    except UnreadableFrame:
        return False
    return True
