"""What soil tests in a straight line say, as frozen values; `files.pickup` writes them into the season.

One document per scored sheet, `<season>/pickup/<sheet>.json`; a sheet may hold several cleaners. Comparison, charts
and report take pickup from here and from nowhere else. Pickup is percent of the soil that was spread; it may lie
a little outside 0-100 within its uncertainty.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from coverage_lab.job import Quality, Quantity

SINGLE_RUN = "indicative, single run"  # said of every number that no repeat backs up


@dataclass(frozen=True, slots=True)
class Balance:
    """What the balance can do, in grams."""

    resolution_g: float
    repeatability_g: float  # standard deviation of repeated readings


@dataclass(frozen=True, slots=True)
class PickupRun:
    """One pass over one soiled strip. `quality` holds codes of docs/pickup.md."""

    run: str
    robot: str
    floor: str
    soil: str
    repeat: int
    dosed_g: float | None
    picked_g: float | None
    pickup_percent: Quantity | None  # from weighing and dose alone; None = no number: `reason` says why
    counted: bool  # in the summaries
    reason: str | None  # why it is not counted
    quality: tuple[Quality, ...]
    conditions: Mapping[str, str]
    note: str


@dataclass(frozen=True, slots=True)
class PickupSummary:
    """Pickup of one cleaner on one floor: of one soil over its repeats, or overall."""

    robot: str
    floor: str
    soil: str | None  # None = overall on this floor: the plain mean of its repeated soils
    n: int  # runs counted
    mean_percent: float
    sd_points: float | None  # of the repeats; None with one run, and overall
    pickup_percent: Quantity | None  # the mean with u and t-interval; None with one run: then it is only indicative
    indicative: bool  # a single run backs it up, "indicative, single run"
    doubtful: int  # runs counted of which something is in doubt


@dataclass(frozen=True, slots=True)
class PickupResult:
    """All that one sheet says."""

    sheet: str  # its file name
    balance: Balance
    loss_g: float  # half-width: soil that may have missed the strip
    floors: tuple[str, ...]  # in the order they are shown
    soils: tuple[str, ...]
    repeated_soils: tuple[str, ...]  # those that make up the overall number
    runs: tuple[PickupRun, ...]  # in the sheet's order
    summaries: tuple[PickupSummary, ...]
    quality: tuple[Quality, ...]  # of the sheet as a whole

    def overall(self, robot: str) -> tuple[PickupSummary, ...]:
        """Return a cleaner's overall pickup on each floor, in the floors' order."""
        return tuple(one for one in self.summaries if one.robot == robot and one.soil is None)
