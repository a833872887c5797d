"""One run's pickup from four readings of the balance, and what the readings themselves give away.

    pickup % = 100 · (bin after − bin empty) / soil spread

Masses are decimal, so that every number can be checked by hand. Uncertainty after JCGM 100:2008, 5.1.2: independent
readings, each with the balance's repeatability and its step as a rectangle (4.3.7); soil that missed the strip is a
rectangle on the dose.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal

from coverage_lab.job import Quality

LIMIT = Decimal("2.8")  # two readings of one thing differ by less times u, 95 of 100 times (ISO 5725-6)
REACH = Decimal(2)  # standard uncertainties that a number may lie outside what is possible
_LIGHTEST_BIN_G = Decimal(5)
_ALIKE = (Decimal("0.5"), Decimal(2))  # a reading that is a thousandth of what it should be lies in this times it
_KILO = Decimal(1000)


@dataclass(frozen=True, slots=True)
class Weighed:
    """One run as it was written down, all of it there."""

    number: int  # of its row
    run: str
    robot: str
    floor: str
    soil: str
    repeat: int
    window_g: tuple[Decimal, Decimal] | None  # for the dose
    empty_g: Decimal
    dosed_g: Decimal
    after_g: Decimal
    cleaned_g: Decimal | None
    conditions: Mapping[str, str]
    note: str

    @property
    def picked_g(self) -> Decimal:
        """What the bin gained."""
        return self.after_g - self.empty_g


@dataclass(frozen=True, slots=True)
class Pickup:
    """Percent picked up, and in points what makes it uncertain."""

    percent: Decimal
    weighing_points: Decimal  # standard uncertainty from the readings: another one in every run
    loss_points: Decimal  # from soil that missed the strip: the same way in all runs, so repeats do not average it

    @property
    def u_points(self) -> Decimal:
        """Standard uncertainty of one run."""
        return (self.weighing_points**2 + self.loss_points**2).sqrt()


def reading_u_g(resolution_g: Decimal, repeatability_g: Decimal) -> Decimal:
    """Return the standard uncertainty of one reading: repeatability, and the step as a rectangle."""
    return (repeatability_g**2 + resolution_g**2 / 12).sqrt()


def pickup(empty_g: Decimal, after_g: Decimal, dosed_g: Decimal, u_g: Decimal, loss_g: Decimal) -> Pickup:
    """Return the pickup of one run; `u_g` is that of one reading, `loss_g` the half-width of what missed the strip."""
    percent = 100 * (after_g - empty_g) / dosed_g
    bin_points = 100 * u_g * Decimal(2).sqrt() / dosed_g
    dose_points = percent * u_g / dosed_g
    loss_points = abs(percent) * loss_g / Decimal(3).sqrt() / dosed_g
    return Pickup(percent, (bin_points**2 + dose_points**2).sqrt(), loss_points)


def impossible(run: Weighed, found: Pickup) -> str | None:
    """Say what cannot be about a run's pickup; None where it lies in 0 to 100 % within its uncertainty."""
    reach = REACH * found.u_points
    if found.percent > 100 + reach:
        return f"{found.percent:.2f} % is over 100 % by more than its uncertainty of {reach:.2f}"
    if found.percent >= -reach:
        return None
    swapped = -found.percent <= 100 + reach
    why = "bin_empty_g and bin_after_g look swapped" if swapped else "the bin lost more than was spread"
    return f"{found.percent:.2f} % is negative: {why}"


def looks_like_kilograms(mass_g: Decimal, usual_g: Decimal, is_bin: bool) -> bool:
    """Say whether a reading is a thousandth of the `usual_g` of its kind, or too light for any bin."""
    low, high = _ALIKE
    return (is_bin and 0 < mass_g < _LIGHTEST_BIN_G) or low * usual_g <= mass_g * _KILO <= high * usual_g


def remarks(run: Weighed, found: Pickup, u_g: Decimal) -> list[Quality]:
    """Return what is worth knowing about a run whose number stands."""
    told: list[Quality] = []
    limit = LIMIT * u_g
    if run.cleaned_g is None:
        told.append(Quality("carry-over-unchecked", "warning", "bin_cleaned_g is empty: soil may be left in the bin"))
    elif abs(run.cleaned_g - run.empty_g) > limit:
        wrong = f"the cleaned bin weighs {run.cleaned_g - run.empty_g:+f} g against empty, more than ± {limit:.3f} g"
        told.append(Quality("carry-over", "warning", wrong))
    if run.window_g is not None and not run.window_g[0] <= run.dosed_g <= run.window_g[1]:
        wrong = f"{run.dosed_g} g were weighed out, planned were {run.window_g[0]} to {run.window_g[1]} g"
        told.append(Quality("dose-off", "warning", wrong))
    if not 0 <= found.percent <= 100:
        told.append(Quality("outside-0-100", "note", "outside 0 to 100 %, but within its uncertainty"))
    return told
