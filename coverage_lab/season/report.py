"""From a comparison to its report: charts, small pictures and one page, in a folder that can be moved or sent."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from coverage_lab.compare.floor import missed_share
from coverage_lab.compare.values import ComparedRun, Comparison
from coverage_lab.errors import BadInput
from coverage_lab.files.measures import measures_from_json, read_measures
from coverage_lab.files.plan import read_floor_blocks, read_plan, read_swept_blocks
from coverage_lab.files.store import write_file, write_files
from coverage_lab.measures.values import Timing
from coverage_lab.show.report.charts import all_charts
from coverage_lab.show.report.page import MOST_INLINED, report_page, thumbnail_uri
from coverage_lab.show.report.small import thumbnail
from coverage_lab.show.report.values import Chart, MissMap, ShownRun, SmallPlan

NAME = "report.html"
THUMBNAILS = "thumbnails"
MOST_POCKETS = 6  # of a run, the largest
MOST_MAPS = 30  # robots whose misses are mapped
_SMALL_CELL_M = 0.012


def write_report(comparison: Comparison, season: Path, out: Path) -> tuple[Path, ...]:
    """Write report.html, its charts and its small pictures into `out`; return the page and the charts.

    Results are read one after the other, and little is kept of each. Small pictures are drawn once and kept by the
    digest of the numbers. Raises CannotWrite.
    """
    found = ((run, _shown(run, season, out)) for run in comparison.runs)
    runs = {run.key: shown for run, shown in found if shown is not None}
    pictures = {run.key: path for run in comparison.runs if (path := _thumbnail(run, season, out)) is not None}
    inlined = len(pictures) <= MOST_INLINED
    thumbnails = {
        key: thumbnail_uri(path.read_bytes()) if inlined else f"{THUMBNAILS}/{path.name}"
        for key, path in pictures.items()
    }
    charts = all_charts(comparison, runs, tuple(_miss_maps(comparison, season)))
    page = report_page(comparison, charts, runs, thumbnails, _method(comparison))
    written = {out / NAME: page.encode(), **_chart_files(charts, out)}
    write_files(written)
    return tuple(written)


def _chart_files(charts: Sequence[Chart], out: Path) -> dict[Path, bytes]:
    folder = out / "charts"
    return {
        folder / f"{chart.name}.{kind}": content
        for chart in charts
        for kind, content in (("svg", chart.svg), ("png", chart.png))
    }


def _shown(run: ComparedRun, season: Path, out: Path) -> ShownRun | None:
    """Return what the page shows of a run; None where its results are gone."""
    folder = season / run.folder
    try:
        measures = measures_from_json(read_measures(folder / "measures.json"))
    except (BadInput, KeyError, TypeError, ValueError):
        return None
    pockets = sorted(measures.pockets or (), key=lambda one: -one.diameter_mm.value)
    return ShownRun(
        overlay=_link(folder / "overlay.png", out),
        growth_chart=_link(folder / "growth.png", out),
        pockets=tuple(pockets[:MOST_POCKETS]),
        all_pockets=len(pockets),
        passes=measures.passes,
        pattern=measures.pattern,
        growth=_growth(measures.timing),
    )


def _link(path: Path, out: Path) -> str | None:
    """Return how the page finds a picture; None where there is none."""
    return Path(os.path.relpath(path, out)).as_posix() if path.is_file() else None


def _growth(timing: Timing | None) -> NDArray[np.float32] | None:
    if timing is None or not timing.growth or timing.growth[0].t_s is None:
        return None
    return np.array([(point.t_s, point.percent) for point in timing.growth], np.float32)


def _thumbnail(run: ComparedRun, season: Path, out: Path) -> Path | None:
    """Return where a run's small picture is, drawn now if these numbers have none yet; None without a plan."""
    kept = out / THUMBNAILS / f"{run.measures_sha256[:20]}.png"
    if not kept.is_file():
        plan = _small_plan(season / run.folder / "plan.npz")
        if plan is None:
            return None
        write_file(kept, thumbnail(plan))
    return kept


def _small_plan(path: Path) -> SmallPlan | None:
    """Return a stored plan on cells of about 12 mm; None where it cannot be read."""
    try:
        plan = read_plan(path)
    except BadInput:
        return None
    step = max(1, round(_SMALL_CELL_M / plan.grid.cell_m))
    size = (max(1, plan.grid.cols // step), max(1, plan.grid.rows // step))
    shares = (
        np.asarray(cv2.resize(share, size, interpolation=cv2.INTER_AREA), np.float32)
        for share in (plan.swept, plan.free, plan.hidden, plan.reachable)
    )
    return SmallPlan(*shares)


def _miss_maps(comparison: Comparison, season: Path) -> Iterator[MissMap]:
    """Yield for each compared robot of one room how often each place was missed, for up to 30 robots."""
    if len(comparison.rooms) > 1 or len(comparison.robots) > MOST_MAPS:
        return
    for robot in comparison.robots:
        own = [run for run in comparison.runs if run.robot == robot.robot and run.left_out is None]
        plans = [season / run.folder / "plan.npz" for run in own]
        try:
            floors = [(read_floor_blocks(path), read_swept_blocks(path)) for path in plans]
        except BadInput:  # moved away since they were compared: the page says which
            continue
        yield MissMap(robot.robot, len(floors), missed_share(floors), floors[0][0].free)


def _method(comparison: Comparison) -> dict[str, str]:
    """Say how the numbers were made, label and text."""
    said = {
        "Ranked by": "coverage of the floor that all compared runs show, on a logit scale of the missed share; spread "
        "pooled over robots, nights as random effect, what repeats share added to each difference",
        "Intervals": "95 %, after JCGM 100; of a robot with what its repeats share (bar height, room, night)",
        "Method": ", ".join(map(str, comparison.methods)),
        "Program versions": ", ".join(comparison.versions) or "not recorded",
    }
    for digest, settings in comparison.settings.items():
        said[f"Settings {digest}"] = ", ".join(f"{name} {value}" for name, value in settings.items())
    for floor in comparison.floors:
        said[f"Floor that all runs show, {floor.room}"] = (
            f"{floor.common_m2:.2f} m²; single runs {floor.visible_m2[0]:.2f} to {floor.visible_m2[1]:.2f} m²"
        )
    if comparison.tukey is not None:
        said["Told apart by"] = f"Tukey's test, {comparison.tukey.dof:.1f} degrees of freedom"
    if comparison.dunnett is not None:
        said["Compared with"] = f"{comparison.dunnett.reference} by Dunnett's test"
    return said
