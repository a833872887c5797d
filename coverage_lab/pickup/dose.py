"""How wide the soiled strip is and how much soil goes on it. All of it can be checked by hand, so all of it is decimal.

    width = nozzle − 25.4 mm      mass = density × width × length

The strip leaves half an inch free at each end of the nozzle: common practice, no source. 125 g/m² on carpet is
the figure of the IEC dust-removal test (IEC 60312-1 / IEC 62885-2; from memory), 40 % of it on hard floor is common
practice without a source.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_HALF_UP, Decimal

from coverage_lab.errors import BadInput, Problem

MARGIN_MM = Decimal("12.7")  # half an inch at each end of the nozzle
_NOZZLE_MM = (Decimal(60), Decimal(700))
_BED_MM = (Decimal(100), Decimal(5000))
_UNITS_MM = {"metres": Decimal(1000), "centimetres": Decimal(10), "inches": Decimal("25.4")}
_MM2_PER_M2 = Decimal(1_000_000)


@dataclass(frozen=True, slots=True)
class Strip:
    """The soiled strip on the test bed."""

    width_mm: Decimal
    length_mm: Decimal

    @property
    def area_m2(self) -> Decimal:
        """Its area, exact."""
        return self.width_mm * self.length_mm / _MM2_PER_M2


@dataclass(frozen=True, slots=True)
class Dose:
    """What to weigh out for one run, all in steps of the balance."""

    exact_g: Decimal  # density × area, unrounded
    target_g: Decimal
    low_g: Decimal  # the window in which a weighed dose is good
    high_g: Decimal


def strip(nozzle_mm: Decimal, bed_length_mm: Decimal) -> Strip:
    """Return the strip for a nozzle and a bed.

    Raises BadInput where there would be none, or sizes are none of a cleaner or bed, with the unit they look like.
    """
    mistakes = [
        *_size("--nozzle-mm", nozzle_mm, *_NOZZLE_MM),
        *_size("--bed-length-mm", bed_length_mm, *_BED_MM),
    ]
    if mistakes:
        raise BadInput(mistakes)
    return Strip(nozzle_mm - 2 * MARGIN_MM, bed_length_mm)


def dose(density_g_m2: Decimal, on: Strip, resolution_g: Decimal, tolerance_percent: Decimal) -> Dose:
    """Return the mass to weigh out: to the balance's nearest step, within ± `tolerance_percent` of the exact mass.

    The window's ends are rounded inward, so that whatever the balance shows within it is good. Raises BadInput where
    the balance is too coarse for the window or the mass.
    """
    exact = density_g_m2 * on.area_m2
    share = tolerance_percent / 100
    target = _step(exact, resolution_g, ROUND_HALF_UP)
    low = _step(exact * (1 - share), resolution_g, ROUND_CEILING)
    high = _step(exact * (1 + share), resolution_g, ROUND_FLOOR)
    if target <= 0 or not low <= target <= high:
        wrong = f"steps of {resolution_g} g are too coarse for {exact:.4f} g ± {tolerance_percent} %"
        mend = "Use a finer balance, a longer bed or a wider tolerance"
        raise BadInput(Problem(None, "balance.resolution_g", wrong, mend))
    return Dose(exact, target, low, high)


def _step(value: Decimal, step: Decimal, rounding: str) -> Decimal:
    """Round to a multiple of `step`, which need not be a power of ten: balances also count in twos and fives."""
    return (value / step).to_integral_value(rounding) * step


def _size(field: str, value_mm: Decimal, low: Decimal, high: Decimal) -> list[Problem]:
    """Return a Problem if a length cannot be, with the unit it was probably given in."""
    if low <= value_mm <= high:
        return []
    wrong = f"{value_mm} mm is out of range"
    if field == "--nozzle-mm" and value_mm <= 2 * MARGIN_MM:
        wrong = f"a nozzle of {value_mm} mm leaves no strip, {2 * MARGIN_MM} mm are margin"
    guesses = {name: value_mm * size for name, size in _UNITS_MM.items() if low <= value_mm * size <= high}
    if not guesses:
        return [Problem(None, field, wrong, f"Give {low} to {high} mm")]
    sizes = " or ".join(f"{guess.normalize():f}" for guess in guesses.values())
    return [Problem(None, field, f"{wrong}; it looks like {' or '.join(guesses)}", f"Write {sizes}: the unit is mm")]
