"""`coverage-lab pickup`: soil tests in a straight line."""

from __future__ import annotations

from decimal import Decimal, InvalidOperation
from pathlib import Path
from typing import Annotated

import typer

from coverage_lab.pickup.values import SINGLE_RUN, PickupSummary

app = typer.Typer(
    name="pickup",
    help="Test in a straight line how much soil is picked up: plan, score, hair.",
    no_args_is_help=True,
    rich_markup_mode=None,
)


def _decimal(text: str) -> Decimal:
    """Read a number as it is written, so that what follows can be checked by hand."""
    try:
        number = Decimal(text)
    except InvalidOperation:
        raise typer.BadParameter(f"{text!r} is no number") from None
    if not number.is_finite():
        raise typer.BadParameter(f"{text!r} is no number")
    return number


@app.command()
def plan(
    nozzle_mm: Annotated[
        Decimal, typer.Option(parser=_decimal, metavar="MM", help="Width of the nozzle.", show_default=False)
    ],
    bed_length_mm: Annotated[
        Decimal, typer.Option(parser=_decimal, metavar="MM", help="Length of the strip on the bed.", show_default=False)
    ],
    robot: Annotated[str, typer.Option(help="The cleaner, robot or not, as in robots.toml.", show_default=False)],
    out: Annotated[Path, typer.Option(help="Folder to write to: the season's pickup folder.")] = Path("pickup"),
    seed: Annotated[int, typer.Option(help="Makes the same random order again.")] = 1,
) -> None:
    """Plan the runs of one cleaner: strip, doses and order, as a sheet to fill in (.csv) and one to print (.html).

    Densities, soils, floors, balance and tolerances are set in pickup.toml, in that folder or the one above it.
    """
    from coverage_lab.errors import BadInput, Problem
    from coverage_lab.files.pickup_settings import read_pickup_settings
    from coverage_lab.files.pickup_sheet import empty_sheet
    from coverage_lab.files.store import write_files
    from coverage_lab.pickup.plan import plan_runs
    from coverage_lab.show.pickup_sheet import plan_page

    if not robot.strip() or robot.startswith(".") or set(robot) & set('/\\:*?"<>|'):
        raise BadInput(Problem(None, "--robot", f"{robot!r} cannot name a file", "Write it as in robots.toml"))
    made = plan_runs(robot, nozzle_mm, bed_length_mm, read_pickup_settings(out), seed)
    sheet, page = out / f"{robot}.csv", out / f"{robot}.html"
    if sheet.exists():
        raise BadInput(Problem(sheet, "", "is there already, and may be filled in", "Move it away, or choose --out"))
    write_files({sheet: empty_sheet(made), page: plan_page(made).encode()})
    strip = f"{made.strip.width_mm} × {made.strip.length_mm} mm"
    typer.echo(f"{sheet} and {page} written: {len(made.runs)} runs on a strip of {strip}", err=True)


def _words(one: PickupSummary) -> str:
    """Return a summary on one line."""
    what = f"{one.robot}, {one.floor}, {one.soil or 'overall'}"
    if one.pickup_percent is None:
        return f"{what}: {one.mean_percent:.1f} % ({SINGLE_RUN})"
    low, high = one.pickup_percent.interval_95
    spread = "" if one.sd_points is None else f", deviation {one.sd_points:.2f}"
    doubt = f", {one.doubtful} doubtful" if one.doubtful else ""
    return f"{what}: {one.mean_percent:.1f} % ({low:.1f} to {high:.1f}), {one.n} runs{spread}{doubt}"


@app.command()
def score(
    sheet: Annotated[Path, typer.Argument(help="A filled-in sheet, SEASON/pickup/NAME.csv.", show_default=False)],
    as_json: Annotated[bool, typer.Option("--json", help="Print what was found as JSON.")] = False,
) -> None:
    """Score a sheet: pickup with its uncertainty per floor and soil, kept beside the sheet as NAME.json.

    All scored sheets of the folder are drawn into one chart, pickup.png and pickup.svg.

    Exit code 1: some rows could not be counted; each is named, the others count.
    """
    import json

    from coverage_lab.errors import ExitCode
    from coverage_lab.files.pickup import pickup_to_json, write_pickup
    from coverage_lab.season.pickup_charts import chart_folder
    from coverage_lab.season.scoring import score_sheet

    result, problems = score_sheet(sheet)
    for problem in problems:
        typer.echo(str(problem), err=True)
    for remark in result.quality:
        typer.echo(f"{sheet.name}: {remark.text}", err=True)
    for run in result.runs:
        for remark in run.quality:
            typer.echo(f"{run.run}: {remark.level}: {remark.text}", err=True)
    write_pickup(result, sheet.with_suffix(".json"))
    for one in result.summaries:
        typer.echo(_words(one), err=True)
    counted = sum(run.counted for run in result.runs)
    for path in chart_folder(sheet.parent):
        typer.echo(f"{path} drawn", err=True)
    typer.echo(f"{sheet.with_suffix('.json')} written: {counted} of {len(result.runs)} runs counted", err=True)
    if sheet.resolve().parent.name != "pickup":
        typer.echo("keep sheet and scores in the season's folder pickup, where comparison and report look", err=True)
    if as_json:
        typer.echo(json.dumps(pickup_to_json(result), ensure_ascii=False))
    if problems:
        raise typer.Exit(ExitCode.SOME_FAILED)


@app.command()
def hair(
    before: Annotated[Path, typer.Argument(help="The bed with hair, before the pass.", show_default=False)],
    after: Annotated[Path, typer.Argument(help="The same bed after it, from the same place.", show_default=False)],
    out: Annotated[Path | None, typer.Option(help="Folder to write to; beside AFTER if not given.")] = None,
) -> None:
    """Measure from two photographs how much hair a pass left: share, clumps, and an overlay of what stayed.

    Indicative: it is a single run. Exit code 1: a picture cannot be read, or the two tell nothing; it is said why.
    """
    from coverage_lab.files.store import write_files
    from coverage_lab.season.hair import hair_files

    found, files = hair_files(before, after, out or after.parent)
    write_files(files)
    low, high = found.residual_percent.interval_95
    left = f"{found.residual_percent.value:.1f} % of the hair stayed ({low:.1f} to {high:.1f}; {SINGLE_RUN})"
    typer.echo(f"{left}; clumps {len(found.clumps_before)} before, {len(found.clumps_after)} after", err=True)
    typer.echo(f"{' and '.join(str(path) for path in files)} written", err=True)
