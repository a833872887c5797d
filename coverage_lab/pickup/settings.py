"""What a lab has decided about its soil tests; `pickup.toml` says what differs from these defaults."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal

CARPET_G_M2 = Decimal(125)  # IEC 60312-1 / IEC 62885-2, dust removal from carpet; from memory
HARD_G_M2 = CARPET_G_M2 * Decimal("0.40")  # common practice, no source
HAIR_G_M2 = Decimal(5)  # no source: a loose layer; decide on your own


@dataclass(frozen=True, slots=True)
class Soil:
    """A kind of soil: how often it is run on each floor, and its density where it is not the floor's own."""

    repeats: int
    density_g_m2: Mapping[str, Decimal] = field(default_factory=dict)  # by floor


@dataclass(frozen=True, slots=True)
class PickupSettings:
    """Floors, soils, balance and tolerances."""

    floors: Mapping[str, Decimal]  # in the order they are run: g/m² of a granular soil
    soils: Mapping[str, Soil]
    resolution_g: Decimal = Decimal("0.01")
    repeatability_g: Decimal = Decimal("0.01")  # standard deviation of one reading
    tolerance_percent: Decimal = Decimal(2)  # of a weighed dose
    loss_g: Decimal = Decimal("0.05")  # half-width: what may stay in the cup or fall beside the strip

    def density_g_m2(self, soil: str, floor: str) -> Decimal:
        """How much of a soil goes on a floor."""
        return self.soils[soil].density_g_m2.get(floor, self.floors[floor])

    @property
    def repeated_soils(self) -> tuple[str, ...]:
        """The soils that make up the overall number of a floor: those with repeats."""
        return tuple(name for name, soil in self.soils.items() if soil.repeats > 1)


_FLOORS = {"hardwood": HARD_G_M2, "low-pile carpet": CARPET_G_M2, "high-pile carpet": CARPET_G_M2}

# Two granular soils on three floors, three repeats each, and hair once per floor: common practice, no source.
DEFAULTS = PickupSettings(
    floors=_FLOORS,
    soils={
        "fine sand": Soil(repeats=3),
        "coarse grain": Soil(repeats=3),
        "pet hair": Soil(repeats=1, density_g_m2=dict.fromkeys(_FLOORS, HAIR_G_M2)),
    },
)
