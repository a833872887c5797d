"""What of a stored run is compared: its numbers, what repeats share of them, and whether it is compared at all."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Literal

from coverage_lab.compare.shared import Share
from coverage_lab.compare.values import HEADLINE, ComparedRun, Measure
from coverage_lab.job import Quantity
from coverage_lab.measures.values import Measures, Pocket
from coverage_lab.season.stored import StoredRun

Number = Quantity | float | None

MEASURES = (
    Measure(HEADLINE, "Coverage of the floor that all runs show", "%", "higher"),
    Measure("coverage_percent", "Coverage of the floor that the run shows", "%", "higher"),
    Measure("reachable_percent", "Coverage of the floor the robot can reach", "%", "higher"),
    Measure("wall_mm", "Distance of swept floor from walls", "mm", "lower"),
    Measure("pockets", "Missed pockets", "", "lower"),
    Measure("largest_pocket_mm", "Largest missed pocket", "mm", "lower"),
    Measure("pattern_score", "Pattern score", "", "neither"),
    Measure("duration_min", "Duration from first to last movement", "min", "lower"),
    Measure("minutes_to_80", "Time to 80 % coverage", "min", "lower"),
    Measure("repeat_ratio", "Floor passed over, over swept floor", "", "lower"),
    Measure("distance_m", "Distance driven", "m", "neither"),
    Measure("clear_of_decoys_percent", "Decoys neither touched nor driven over", "%", "higher"),
    Measure("nozzle_clearance_mm", "Least distance of the nozzle from a decoy", "mm", "neither"),
)


def numbers_of(measures: Measures) -> dict[str, Number]:
    """Return a run's numbers by measure's key, all but the headline, which hangs on the other runs."""
    coverage, pockets = measures.coverage, measures.pockets
    return {
        "coverage_percent": None if coverage is None else coverage.percent,
        "reachable_percent": None if coverage is None else coverage.percent_of_reachable,
        "wall_mm": _wall_mm(measures),
        "pockets": None if pockets is None else float(len(pockets)),
        "largest_pocket_mm": _largest_pocket_mm(pockets),
        "pattern_score": None if measures.pattern is None else measures.pattern.score,
        **_in_time(measures),
        **_decoys(measures),
    }


def _in_time(measures: Measures) -> dict[str, Number]:
    timing, passes = measures.timing, measures.passes
    to_80_s = None if timing is None else timing.time_to_s.get("80")
    return {
        "duration_min": None if timing is None or timing.duration_s is None else timing.duration_s / 60,
        "minutes_to_80": None if to_80_s is None else to_80_s / 60,
        "repeat_ratio": None if passes is None else passes.repeat_ratio,
        "distance_m": None if timing is None else timing.distance_m,
    }


def _largest_pocket_mm(pockets: Sequence[Pocket] | None) -> Number:
    """Return the widest pocket; 0 where none is left that is large enough to be listed."""
    if pockets is None:
        return None
    return max((one.diameter_mm for one in pockets), key=lambda one: one.value, default=0.0)


def _wall_mm(measures: Measures) -> float | None:
    """Return the mean over walls, each by the share of it that could be measured."""
    walls = [
        (one.share_measured, one.mean_mm.value)
        for one in measures.edges or ()
        if one.bearing_deg is not None and one.mean_mm is not None
    ]
    measured = sum(share for share, _ in walls)
    return sum(share * mean_mm for share, mean_mm in walls) / measured if measured else None


def _decoys(measures: Measures) -> dict[str, Number]:
    told = [one for one in measures.avoidance or () if one.verdict in ("clear", "touched", "driven over")]
    clearances = [one.nozzle_clearance_mm for one in told if one.nozzle_clearance_mm is not None]
    return {
        "clear_of_decoys_percent": 100 * sum(one.verdict == "clear" for one in told) / len(told) if told else None,
        "nozzle_clearance_mm": min(clearances, key=lambda one: one.value, default=None),
    }


def shares_of(measures: Measures) -> dict[str, Share]:
    """Return the contributions to a run's coverage, in points, with what shares them."""
    contributions = {} if measures.coverage is None else measures.coverage.contributions
    return {cause: Share(one.points, one.shared_by) for cause, one in contributions.items()}


def compared_run(run: StoredRun, room: str, settings_digest: str) -> ComparedRun:
    """Return a stored run as a comparison lists it, the headline not yet known."""
    measures, review = run.measures, run.review
    numbers = {key: number for key, number in numbers_of(measures).items() if number is not None}
    return ComparedRun(
        key=run.key,
        robot=measures.robot,
        repeat=measures.repeat,
        night=run.night,
        room=room,
        trial=measures.trial,
        folder=f"{run.night}/results/{run.folder.name}",
        verdict=measures.verdict,
        left_out=_left_out(run),
        quality=measures.quality,
        review=_review_state(run),
        review_reason=None if review is None else review.reason,
        review_by=None if review is None else review.by,
        review_utc=None if review is None else review.said_utc,
        values={key: one.value if isinstance(one, Quantity) else one for key, one in numbers.items()},
        u={key: one.u for key, one in numbers.items() if isinstance(one, Quantity)},
        method=int(run.made["method"]),
        settings_digest=settings_digest,
        measures_sha256=run.measures_sha256,
        made_utc=run.made.get("made_utc"),
        version=run.made.get("coverage_lab"),
    )


def _review_state(run: StoredRun) -> Literal["open", "accepted", "refused", "re-opened"]:
    if run.review is None:
        return "open"
    return run.review.decision if run.review_holds else "re-opened"


def _left_out(run: StoredRun) -> str | None:
    """Say why a run is not compared, whatever else is; None if nothing speaks against it."""
    measures, review = run.measures, run.review
    if measures.verdict != "measured":
        return f"{measures.verdict}: {measures.reason}"
    if measures.coverage is None:
        return "no coverage was measured"
    by_standing: Mapping[str, str] = {
        "replaced": f"replaced by {run.replaced_by}",
        "unused": "the run sheet says not to use it",
        "orphaned": "it is no run of its night any more",
    }
    if run.standing in by_standing:
        return by_standing[run.standing]
    if review is not None and run.review_holds and review.decision == "refused":
        return f"refused in review: {review.reason}"
    return None
