"""`coverage-lab study`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from rich.table import Table

    from coverage_lab.compare.study import Study


def study(
    paths: Annotated[
        list[Path], typer.Argument(help="Measured nights, or a season folder.", metavar="NIGHT...", show_default=False)
    ],
    as_json: Annotated[bool, typer.Option("--json", help="Print one line of JSON instead of tables.")] = False,
) -> None:
    """Study the instrument itself: how much of what differs between runs is the measuring.

    Runs of one robot and repeat with something in the run sheet's column "exposure" are exposures of one trail that
    stayed where it was. Nothing is measured here. Exit code 0: done; 2: a file or the command is wrong.
    """
    import json
    from dataclasses import asdict

    from rich.console import Console

    from coverage_lab.compare.study import study as study_of
    from coverage_lab.errors import BadInput, Problem
    from coverage_lab.season.exposures import MEASURES, find_exposures

    exposed = find_exposures(paths)
    studies = [found for name in MEASURES if (found := study_of(name, exposed)) is not None]
    if not studies:
        wrong = "there is one measured run only, so nothing can differ"
        raise BadInput(Problem(paths[0], "", wrong, "Expose a trail again, and measure that"))
    if as_json:
        content = {"schema": "coverage-lab/study/1", "studies": [asdict(found) for found in studies]}
        typer.echo(json.dumps(content, ensure_ascii=False, allow_nan=False))
        return
    console = Console(highlight=False)
    for found in studies:
        console.print(_table(found))
        for line in _summary(found):
            console.print(line, markup=False, soft_wrap=True)
        console.print()
    for note in dict.fromkeys(note for found in studies for note in found.cannot_tell):
        console.print(f"Cannot be told: {note}.", markup=False, soft_wrap=True)


def _table(found: Study) -> Table:
    from rich.table import Table

    title = f"{found.measure}: {found.exposures} exposures, {found.trails} trails, {found.robots} robots"
    table = Table("source", title=title, title_justify="left")
    for heading in ("degrees of freedom", "standard deviation", "% of variance"):
        table.add_column(heading, justify="right")
    for source in found.sources:
        table.add_row(source.name, f"{source.dof:.0f}", f"{source.sd:.3f}", _share(source.percent_of_variance))
    return table


def _share(percent: float | None) -> str:
    if percent is None:
        return "–"
    return "under 0.01" if 0 < percent < 0.01 else f"{percent:.2f}"


def _summary(found: Study) -> list[str]:
    own = found.instrument
    if own is None:
        return [f"instrument: cannot be told; stated u {found.stated_u:.3f}"]
    low, high = own.interval_95
    return [
        f"instrument: standard deviation {own.sd:.3f} (95 %: {low:.3f} to {high:.3f}); stated u {found.stated_u:.3f}",
        f"two exposures of one trail agree within {own.two_exposures_within:.3f} (95 %)",
        f"distinct categories of trails: {'cannot be told' if own.categories is None else own.categories}",
    ]
