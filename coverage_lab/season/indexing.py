"""Keep seasons' indexes up to date while runs are measured. What goes wrong with an index never harms results."""

from __future__ import annotations

import sqlite3
import time
from pathlib import Path

from coverage_lab.season.index import NAME, Index

_EVERY_S = 2.0  # a transaction waits for the disk, on network drives for long; some runs share one


class Indexing:
    """The indexes of the seasons that a batch works on, each given up after its first failure."""

    def __init__(self) -> None:
        self.notes: list[str] = []  # what went wrong, once for each season
        self._open: dict[Path, Index | None] = {}
        self._waiting: dict[Path, list[Path]] = {}
        self._written_s = time.monotonic()

    def take(self, folder: Path) -> None:
        """Put a run's results `folder` into its season's index, at once or with the next ones."""
        self._waiting.setdefault(folder.parent.parent.parent, []).append(folder)
        if time.monotonic() - self._written_s > _EVERY_S:
            self.write()

    def write(self) -> None:
        """Write what waits."""
        for season, folders in self._waiting.items():
            try:
                self._write(season, folders)
            except (sqlite3.Error, OSError) as error:
                self._give_up(season, error)
        self._waiting.clear()
        self._written_s = time.monotonic()

    def _write(self, season: Path, folders: list[Path]) -> None:
        if season not in self._open:
            self._open[season] = None
            self._open[season] = Index(season, season / NAME)
        index = self._open[season]
        if index is not None:
            index.take(folders)

    def _give_up(self, season: Path, error: Exception) -> None:
        index, self._open[season] = self._open[season], None
        if index is not None:
            index.close()
        self.notes.append(
            f"{season / NAME}: not kept up to date ({error}). Results are safe; whatever reads it mends it."
        )

    def close(self) -> None:
        """Write what waits and close all of them."""
        self.write()
        for index in self._open.values():
            if index is not None:
                index.close()
        self._open.clear()
