"""Results kept apart from the nights they are of."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

from small_night import Lab

from coverage_lab.simulate.night import NIGHT


def listing(folder: Path) -> dict[str, tuple[int, int]]:
    """Every file below a folder with size and time stamp."""
    return {
        path.relative_to(folder).as_posix(): (path.stat().st_size, path.stat().st_mtime_ns)
        for path in sorted(folder.rglob("*"))
    }


def test_the_night_stays_as_it_is_and_the_results_are_the_same(done: Lab, tmp_path: Path):
    before, apart = listing(done.season), tmp_path / "apart"
    told = done.measure("--results", apart, done.night)
    assert told.code == 0
    told.line("2 measured")
    assert listing(done.season) == before
    here, there = done.night / "results", apart / NIGHT / "results"
    for run in ("heron-1", "heron-2"):
        for name in ("measures.json", "overlay.png", "pockets.geojson"):
            assert (there / run / name).read_bytes() == (here / run / name).read_bytes()
    assert (there / "summary.csv").read_bytes() == (here / "summary.csv").read_bytes()
    assert sorted(entry.name for entry in apart.iterdir()) == [NIGHT]  # no index: that is of a season with its nights
    assert "nothing new to do" in done.measure("--results", apart, done.season).lines[-1]


def test_what_is_done_is_judged_by_the_results_there(done: Lab, tmp_path: Path):
    told = done.measure("--dry-run", "--results", tmp_path / "apart", done.night)
    told.line(NIGHT, "2 of 2 runs to measure")
    assert not (tmp_path / "apart").exists()


def test_other_settings_can_be_tried_beside_the_results(done: Lab, tmp_path: Path):
    stored = (done.night / "results" / "heron-1" / "measures.json").read_bytes()
    done.edit(done.night / "night.toml", "cell_mm = 4", "cell_mm = 5")
    assert done.measure("--results", tmp_path / "apart", done.night / "heron-1").code == 0
    made = json.loads((tmp_path / "apart" / NIGHT / "results" / "heron-1" / "made.json").read_text(encoding="utf-8"))
    assert made["settings"]["cell_m"] == 0.005
    assert (done.night / "results" / "heron-1" / "measures.json").read_bytes() == stored


def test_two_nights_of_one_name_cannot_share_a_folder(lab: Lab, tmp_path: Path):
    other = Path(shutil.copytree(lab.season, tmp_path / "another"))
    told = lab.measure("--results", tmp_path / "apart", lab.season, other)
    assert told.code == 2
    told.line("--results", f'2 nights called "{NIGHT}"', "Measure them apart")
