"""The season's index, `season.db`: made from the results folders, and made again wherever it is missing or broken.

    results folders, run sheets, pickup documents ──► season.db ──► listings, comparison, export

It holds nothing that is not in those files. It may lie on a network drive, so it is SQLite with its plain journal (a
write-ahead log needs shared memory), waits for locks, and keeps transactions short.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager, suppress
from itertools import islice
from pathlib import Path
from typing import Any

from coverage_lab.errors import BadInput, Problem
from coverage_lab.files.checking import read_json
from coverage_lab.files.measures import measures_from_json
from coverage_lab.files.night import find_nights
from coverage_lab.files.review import Review
from coverage_lab.season.entry import COLUMNS, DOCUMENTS, RUNS, STAND, TABLES, VERSION, entry, sort_key, told, unpacked
from coverage_lab.season.standing import Stand, all_current, stands
from coverage_lab.season.stored import StoredRun, stamp_of

NAME = "season.db"
_BUSY_S = 30.0  # how long another program's transaction is waited for
_AT_ONCE = 100  # runs read or written in one transaction


@contextmanager
def open_index(season: Path) -> Iterator[Index]:
    """Open the index of a season folder, brought up to date with what lies there.

    A broken index is made anew; where none can be written (a read-only season), one is made for this time only.
    Raises BadInput where there is no season.
    """
    season = season.resolve()
    if (season / "night.toml").is_file():
        raise BadInput(Problem(season, "", "is a night", f"Give its season folder, {season.parent}"))
    find_nights(season)
    try:
        index = _fresh(season, season / NAME)
    except sqlite3.OperationalError:  # cannot be written, or is locked for too long
        index = _fresh(season, "")  # SQLite's temporary file, gone when it is closed
    except sqlite3.DatabaseError:
        index = _anew(season)
    with index:
        yield index


def _anew(season: Path) -> Index:
    """Return an index in place of a damaged one; beside it, where it cannot be taken away."""
    with suppress(OSError):
        for name in (NAME, f"{NAME}-journal"):
            (season / name).unlink(missing_ok=True)
    try:
        return _fresh(season, season / NAME)
    except sqlite3.DatabaseError:
        return _fresh(season, "")


def _fresh(season: Path, path: Path | str) -> Index:
    index = Index(season, path)
    try:
        index.check()
        index.refresh()
    except BaseException:
        index.close()
        raise
    return index


class Index:
    """An open index. Runs are in natural order of night and run; whoever changes it says so in short transactions."""

    def __init__(self, season: Path, path: Path | str) -> None:
        """Open the database at `path`, made if it is not there or of another version. Raises sqlite3.Error."""
        self.season = season
        self._db = sqlite3.connect(path, timeout=_BUSY_S, isolation_level=None)
        try:
            if self._version() != VERSION:
                self._make()
        except BaseException:
            self._db.close()
            raise

    def __enter__(self) -> Index:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the database."""
        self._db.close()

    def check(self) -> None:
        """Raise sqlite3.DatabaseError if the file is damaged."""
        (found,) = self._db.execute("PRAGMA quick_check(1)").fetchone()
        if found != "ok":
            raise sqlite3.DatabaseError(found)

    def take(self, folders: Sequence[Path]) -> None:
        """Put what lies in runs' results `folders` into the index, in place of what was there of them."""
        entries = [entry(self.season, folder) for folder in folders]  # read before anything is locked
        with self._transaction():
            for one in entries:
                names, marks = ", ".join(f'"{name}"' for name in one), ", ".join("?" * len(one))
                # How a run stands is not told by its results: it is kept.
                kept = ", ".join(f'"{name}" = excluded."{name}"' for name in one if name not in STAND)
                text = f"INSERT INTO runs ({names}) VALUES ({marks}) ON CONFLICT (sort_key) DO UPDATE SET {kept}"
                self._db.execute(text, tuple(one.values()))

    def refresh(self) -> None:
        """Read what changed since: results, run sheets and pickup documents whose size or time stamp differ."""
        known = dict(self._db.execute("SELECT sort_key, stamp FROM runs"))
        for night in find_nights(self.season):
            changed = (folder for folder, stamp in _results(night) if known.pop(_key(folder), None) != stamp)
            some = False
            while folders := list(islice(changed, _AT_ONCE)):
                self.take(folders)
                some = True
            self._stand(night, some)
        with self._transaction():
            self._db.executemany("DELETE FROM runs WHERE sort_key = ?", [(key,) for key in known])
        self._refresh_documents()

    def runs(self) -> Iterator[StoredRun]:
        """Yield every run whose results are whole; memory does not grow with their number."""
        for row in self._pages(RUNS):
            yield self._stored(row)

    def rows(self) -> Iterator[dict[str, Any]]:
        """Yield every such run's headline numbers by column (`entry.COLUMNS`); conditions and review are mappings."""
        for row in self._pages(COLUMNS):
            yield row | {name: json.loads(row[name] or "null") for name in ("conditions", "review")}

    def documents(self) -> Iterator[tuple[str, Any]]:
        """Yield the name and the content of each pickup document of the season."""
        for name, content in self._db.execute("SELECT name, content FROM documents WHERE problem IS NULL").fetchall():
            yield name, json.loads(content)

    def problems(self) -> tuple[Problem, ...]:
        """Return what could not be read: results that are broken or of a later version, run sheets, documents."""
        tables = ("runs", "nights", "documents")
        one_each = " UNION ALL ".join(f"SELECT problem FROM {name} WHERE problem IS NOT NULL" for name in tables)
        return tuple(self._problem(json.loads(text)) for (text,) in self._db.execute(one_each))

    def _version(self) -> int:
        return int(self._db.execute("PRAGMA user_version").fetchone()[0])

    def _make(self) -> None:
        with self._transaction():
            if self._version() == VERSION:  # made by another program while this one waited
                return
            for (name,) in self._db.execute("SELECT name FROM sqlite_master WHERE type = 'table'").fetchall():
                self._db.execute(f'DROP TABLE "{name}"')
            for statement in TABLES:
                self._db.execute(statement)
            self._db.execute(f"PRAGMA user_version = {VERSION}")

    @contextmanager
    def _transaction(self) -> Iterator[None]:
        self._db.execute("BEGIN IMMEDIATE")
        try:
            yield
        except BaseException:
            with suppress(sqlite3.Error):
                self._db.execute("ROLLBACK")
            raise
        self._db.execute("COMMIT")

    def _stand(self, night: Path, some: bool) -> None:
        """Write down how a night's runs stand, if its sheet or `some` of its results changed."""
        stamp = _file_stamp(night / "runs.csv")
        known = self._db.execute("SELECT stamp FROM nights WHERE night = ?", (night.name,)).fetchone()
        if stamp is not None and known == (stamp,) and not some:
            return
        former = "SELECT run, standing, replaced_by FROM runs WHERE night = ?"
        before = {run: Stand(standing, by) for run, standing, by in self._db.execute(former, (night.name,))}
        problem = None
        try:
            now = stands(night, before)
        except BadInput as error:
            now, problem = all_current(before), told(self.season, error)
        changes = [(one.standing, one.replaced_by, night.name, run) for run, one in now.items() if one != before[run]]
        with self._transaction():
            self._db.execute("INSERT OR REPLACE INTO nights VALUES (?, ?, ?)", (night.name, stamp, problem))
            update = "UPDATE runs SET standing = ?, replaced_by = ? WHERE night = ? AND run = ?"
            self._db.executemany(update, changes)

    def _refresh_documents(self) -> None:
        paths = {path.name: path for path in sorted((self.season / DOCUMENTS).glob("*.json"))}
        known = dict(self._db.execute("SELECT name, stamp FROM documents"))
        stamps = {name: _file_stamp(path) for name, path in paths.items()}
        rows = [self._document(paths[name], stamp) for name, stamp in stamps.items() if known.get(name) != stamp]
        with self._transaction():
            self._db.executemany("INSERT OR REPLACE INTO documents VALUES (?, ?, ?, ?)", rows)
            self._db.executemany("DELETE FROM documents WHERE name = ?", [(name,) for name in known.keys() - paths])

    def _document(self, path: Path, stamp: str | None) -> tuple[str | None, ...]:
        try:
            return path.name, stamp, None, json.dumps(read_json(path, "Score the pickup tests again"))
        except BadInput as error:
            return path.name, stamp, told(self.season, error), None

    def _pages(self, columns: Iterable[str]) -> Iterator[dict[str, Any]]:
        """Yield rows of runs that are whole, a page at a time, so that nobody waits for a slow reader."""
        names = ", ".join(f'"{name}"' for name in columns)
        text = f"SELECT {names}, sort_key FROM runs WHERE sort_key > ? AND problem IS NULL ORDER BY sort_key LIMIT ?"
        last = ""
        while True:
            with closing(self._db.execute(text, (last, _AT_ONCE))) as cursor:
                heads = [head[0] for head in cursor.description]
                page = [dict(zip(heads, row, strict=True)) for row in cursor.fetchall()]
            for row in page:
                last = row.pop("sort_key")
                yield row
            if not page:
                return

    def _stored(self, row: Mapping[str, Any]) -> StoredRun:
        measures = measures_from_json(unpacked(row["content"]))
        by, review = row["replaced_by"], row["review"]
        return StoredRun(
            key=measures.key,
            night=row["night"],
            folder=self.season / row["night"] / "results" / row["run"],
            measures=measures,
            made=unpacked(row["made"]),
            measures_sha256=row["measures_sha256"],
            standing=row["standing"],
            replaced_by=None if by is None else f"{row['night']}/{by}",
            review=None if review is None else Review(**json.loads(review)),
        )

    def _problem(self, kept: Mapping[str, str]) -> Problem:
        return Problem(self.season / kept["path"], kept["field"], kept["wrong"], kept["mend"])


def _results(night: Path) -> Iterator[tuple[Path, str]]:
    """Yield the results folders of a night that hold something, and its stamp."""
    for folder in sorted((night / "results").glob("[!.]*/")):
        stamp = stamp_of(folder)
        if stamp is not None:
            yield folder, stamp


def _key(folder: Path) -> str:
    return sort_key(folder.parent.parent.name, folder.name)


def _file_stamp(path: Path) -> str | None:
    try:
        facts = path.stat()
    except OSError:
        return None
    return f"{facts.st_size} {facts.st_mtime_ns}"
