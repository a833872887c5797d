"""What a reader should know of a comparison, in sentences."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from coverage_lab.compare.robots import Compared
from coverage_lab.compare.tell_apart import MOST_FOR_TUKEY
from coverage_lab.compare.values import ComparedRun


def warnings(
    runs: Sequence[ComparedRun], compared: Compared, reference: str | None, entries: Mapping[str, str]
) -> Iterator[str]:
    """Yield what a reader of the comparison should know of the compared `runs`.

    `reference` is the robot that was asked for, `entries` the register entry of each run's robot, by run's key.
    """
    if not runs:
        yield "No run is left to compare"
        return
    rooms = tuple(dict.fromkeys(run.room for run in runs))
    if len(rooms) > 1:
        yield f"Runs of {len(rooms)} rooms are compared as if they were one: {', '.join(rooms)}"
    if len({(run.method, run.settings_digest) for run in runs}) > 1:
        yield "Numbers were made by different methods or settings; part of a difference may be theirs"
    reopened = [run.key for run in runs if run.review == "re-opened"]
    if reopened:
        yield f"Reviewed before their numbers changed, so open again: {_listed(reopened)}"
    if len(compared.robots) == 1:
        yield "There is one robot only, so nothing can differ"
    elif compared.model is None:
        yield "No robot has a second run, so no difference can be judged"
    if len(compared.robots) > MOST_FOR_TUKEY and compared.dunnett is None:
        yield (
            f"{len(compared.robots)} robots are too many to judge every pair: choose up to {MOST_FOR_TUKEY} with "
            "--robot, or one to compare the others with by --reference"
        )
    if reference is not None and compared.dunnett is None:
        yield f"Nothing can be judged against {reference}: it, or every other robot, has fewer than two runs"
    for one in compared.robots:
        for summary in one.summaries.values():
            for outlier in summary.outliers:
                yield f"{outlier.run} is a {outlier.level} in {summary.measure} (p {outlier.p_value:.2g}); it stays in"
    yield from _two_entries(runs, entries)


def _two_entries(runs: Sequence[ComparedRun], entries: Mapping[str, str]) -> Iterator[str]:
    """Tell of robots whose runs were measured with different lengths: mended in between, or two of one name."""
    first: dict[str, ComparedRun] = {}
    told = set()
    for run in runs:
        other = first.setdefault(run.robot, run)
        if entries[run.key] != entries[other.key] and run.robot not in told:
            told.add(run.robot)
            yield f"{run.robot} has other lengths (nozzle, bar or body) in {run.key} than in {other.key}"


def _listed(names: Sequence[str]) -> str:
    return ", ".join(names[:5]) + (f" and {len(names) - 5} more" if len(names) > 5 else "")
