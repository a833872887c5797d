"""`coverage-lab compare`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from coverage_lab.errors import ExitCode

if TYPE_CHECKING:
    from coverage_lab.compare.scorecard import Card
    from coverage_lab.compare.values import Comparison


def compare(
    season: Annotated[Path, typer.Argument(help="The season folder.", metavar="SEASON", show_default=False)],
    out: Annotated[
        Path | None, typer.Option("--out", help="Folder of what is written.", show_default="SEASON/comparison")
    ] = None,
    robot: Annotated[
        list[str] | None, typer.Option("--robot", help="Compare this robot; may be repeated.", show_default="all")
    ] = None,
    reference: Annotated[
        str | None, typer.Option("--reference", help="Compare every robot with this one.", show_default=False)
    ] = None,
    trial: Annotated[Literal["coverage", "avoidance"], typer.Option("--trial", help="Which runs.")] = "coverage",
    allow_mixed: Annotated[
        bool, typer.Option("--allow-mixed", help="Compare numbers of different methods or settings.")
    ] = False,
    across_rooms: Annotated[
        bool, typer.Option("--across-rooms", help="Compare runs of different rooms with each other.")
    ] = False,
) -> None:
    """Compare the robots of a season: which is better, how sure is that, and which cannot be told apart.

    Writes a report page, charts and tables into one folder, or into one for each room. Nothing is measured here.
    Exit code 0: done; 1: some results could not be read, or no run is left to compare; 2: a file or the command is
    wrong.
    """
    from coverage_lab.files.comparison import write_comparison
    from coverage_lab.season.comparing import Wanted, compare_season
    from coverage_lab.season.index import open_index
    from coverage_lab.season.report import write_report

    wanted = Wanted(trial, tuple(robot or ()), reference, allow_mixed, across_rooms)
    with open_index(season) as index:
        found = compare_season(index, wanted, _scorecard(season))
    folder = season / "comparison" if out is None else out
    for one in found:
        place = folder if len(found) == 1 else folder / one.rooms[0]
        for path in (*write_comparison(place, one), write_report(one, season, place)[0]):
            typer.echo(str(path), err=True)
        for line in _told(one):
            typer.echo(line, err=True)
    wrong = any(one.problems or not one.robots for one in found)
    raise typer.Exit(ExitCode.SOME_FAILED if wrong else ExitCode.DONE)


def _scorecard(season: Path) -> Card | None:
    from coverage_lab.files.scorecard import NAME, read_scorecard
    from coverage_lab.season.numbers import MEASURES

    path = season / NAME
    return read_scorecard(path, [measure.key for measure in MEASURES]) if path.is_file() else None


def _told(comparison: Comparison) -> list[str]:
    """Return what a glance at the comparison should tell."""
    lines = [f"{', '.join(comparison.rooms)}: {len(comparison.robots)} robots"]
    for robot in comparison.robots[:20]:
        if robot.estimate_percent is not None and robot.estimate_95 is not None:
            low, high = robot.estimate_95
            lines.append(f"  {robot.robot}: {robot.estimate_percent:.2f} % ({low:.2f} to {high:.2f}) {robot.group}")
    notes = () if comparison.model is None else comparison.model.notes
    left_out = sum(run.left_out is not None for run in comparison.runs)
    lines += [f"{left_out} of {len(comparison.runs)} runs are not compared"] if left_out else []
    return [*lines, *notes, *comparison.warnings, *comparison.problems]
