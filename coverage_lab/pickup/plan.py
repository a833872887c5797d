"""Which runs to make, in which order, with which dose."""

from __future__ import annotations

import random
from dataclasses import dataclass
from decimal import Decimal

from coverage_lab.pickup.dose import Dose, Strip, dose, strip
from coverage_lab.pickup.settings import PickupSettings


@dataclass(frozen=True, slots=True)
class PlannedRun:
    """One run to make."""

    run: str
    robot: str
    floor: str
    soil: str
    repeat: int
    density_g_m2: Decimal
    dose: Dose


@dataclass(frozen=True, slots=True)
class PickupPlan:
    """All runs of one cleaner, in the order they are to be made."""

    robot: str
    nozzle_mm: Decimal
    strip: Strip
    settings: PickupSettings
    seed: int
    runs: tuple[PlannedRun, ...]


def plan_runs(
    robot: str, nozzle_mm: Decimal, bed_length_mm: Decimal, settings: PickupSettings, seed: int
) -> PickupPlan:
    """Return the run plan of one cleaner: floor after floor, within each all soils and repeats in random order.

    The order hangs on `seed` and the cleaner's name only, so that two cleaners are not run in step and a plan can be
    made again. Raises BadInput where sizes leave no strip or the balance is too coarse.
    """
    on = strip(nozzle_mm, bed_length_mm)
    # Only random() itself keeps its sequence over versions of Python, so the runs are sorted by it.
    chance = random.Random(f"{seed} {robot}").random
    runs: list[PlannedRun] = []
    for floor in settings.floors:
        wanted = [(soil, repeat) for soil, kind in settings.soils.items() for repeat in range(1, kind.repeats + 1)]
        for soil, repeat in sorted(wanted, key=lambda _: chance()):
            density = settings.density_g_m2(soil, floor)
            weighed = dose(density, on, settings.resolution_g, settings.tolerance_percent)
            runs.append(PlannedRun(f"{robot}-{len(runs) + 1:02d}", robot, floor, soil, repeat, density, weighed))
    return PickupPlan(robot, nozzle_mm, on, settings, seed, tuple(runs))
