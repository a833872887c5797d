"""Keep seasons' indexes up to date while runs are measured. What goes wrong with an index never harms results."""

from __future__ import annotations

import sqlite3
from pathlib import Path

from coverage_lab.season.index import NAME, Index


class Indexing:
    """The indexes of the seasons that a batch works on, each given up after its first failure."""

    def __init__(self) -> None:
        self.notes: list[str] = []  # what went wrong, once for each season
        self._open: dict[Path, Index | None] = {}

    def take(self, folder: Path) -> None:
        """Put a run's results `folder` into its season's index."""
        season = folder.parent.parent.parent
        try:
            if season not in self._open:
                self._open[season] = None
                self._open[season] = Index(season, season / NAME)
            index = self._open[season]
            if index is not None:
                index.take(folder)
        except (sqlite3.Error, OSError) as error:
            self._give_up(season, error)

    def _give_up(self, season: Path, error: Exception) -> None:
        index, self._open[season] = self._open[season], None
        if index is not None:
            index.close()
        self.notes.append(
            f"{season / NAME}: not kept up to date ({error}). Results are safe; whatever reads it mends it."
        )

    def close(self) -> None:
        """Close all of them."""
        for index in self._open.values():
            if index is not None:
                index.close()
        self._open.clear()
