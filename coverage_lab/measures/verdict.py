"""What the intervals and the engineer's eyes make of one decoy, and where the two disagree."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

from coverage_lab.job import Quality, Quantity
from coverage_lab.measures.values import DecoyFound, DecoyVerdict


@dataclass(frozen=True, slots=True)
class Seen:
    """What the engineer wrote of contacts; `touched` names decoys."""

    touched: frozenset[str]


def verdict_of(
    nozzle: Quantity | None, body: Quantity | None, body_diameter_m: float, seen: bool | None
) -> DecoyVerdict:
    """Return the verdict on one decoy: what was seen first, then what the intervals (mm) leave no doubt of.

    A decoy from which all swept floor is a body's diameter away was no challenge: the robot never came to it.
    """
    measured = measured_verdict(nozzle, body, body_diameter_m)
    if seen is None:
        return measured
    if seen:
        return measured if measured == "driven over" else "touched"
    return measured if measured == "not challenged" else "clear"


def measured_verdict(nozzle: Quantity | None, body: Quantity | None, body_diameter_m: float) -> DecoyVerdict:
    """Return what the intervals alone say."""
    if nozzle is None or nozzle.interval_95[0] > 1000 * body_diameter_m:
        return "not challenged"
    if nozzle.interval_95[1] < 0:
        return "driven over"
    if body is None:
        return "can't be told"
    if body.interval_95[1] < 0:  # contact is sure; what kind is the likelier one
        return "driven over" if nozzle.value < 0 else "touched"
    return "clear" if body.interval_95[0] > 0 else "can't be told"


def contact_remarks(found: Sequence[DecoyFound], body_diameter_m: float, moved: Collection[str]) -> tuple[Quality, ...]:
    """Say where what was seen and what was measured disagree, and what happened to decoys that were moved."""
    remarks = []
    for one in found:
        measured = measured_verdict(one.nozzle_clearance_mm, one.body_clearance_mm, body_diameter_m)
        touched = measured in ("touched", "driven over")
        if one.contact_seen is not None and one.contact_seen != touched and measured != "can't be told":
            saw = "a contact was seen" if one.contact_seen else "no contact was seen"
            text = f"{one.decoy}: {saw}, and the picture says {measured}. What was seen counts; look at the video"
            remarks.append(Quality("contact-disagrees", "warning", text))
        if one.decoy in moved:
            crossed = one.nozzle_clearance_mm is not None and one.nozzle_clearance_mm.interval_95[1] < 0
            what = "its footprint was crossed, perhaps after it had gone" if crossed else "its clearance is in doubt"
            text = f"{one.decoy} does not stand where it stood in the second reference frame: {what}"
            remarks.append(Quality("decoy-moved", "warning", text))
    return tuple(remarks)
