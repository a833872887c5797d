"""Write the chart of soil tests beside the scored sheets."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

from coverage_lab.errors import BadInput
from coverage_lab.files.checking import read_json
from coverage_lab.files.pickup import is_pickup, pickup_from_json
from coverage_lab.files.store import write_files
from coverage_lab.show.chart_style import figure_files, house
from coverage_lab.show.pickup_chart import pickup_chart


def chart_folder(folder: Path) -> tuple[Path, ...]:
    """Draw all scored sheets of a folder into one chart there; return its files, none where no run counts."""
    results = []
    for path in sorted(folder.glob("*.json")):
        with suppress(BadInput):  # a document that is broken is told where it is scored or compared
            content = read_json(path, "")
            if is_pickup(content):
                results.append(pickup_from_json(content, path))
    if not any(result.summaries for result in results):
        return ()
    with house():
        files = figure_files(pickup_chart(results), "pickup")
    write_files({folder / name: content for name, content in files.items()})
    return tuple(folder / name for name in files)
