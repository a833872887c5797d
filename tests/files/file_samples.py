"""Values that several tests of files begin with."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from shapely import MultiPolygon, box

from coverage_lab.errors import BadInput, ExitCode
from coverage_lab.job import Quality, Quantity
from coverage_lab.measures.values import (
    CameraFacts,
    Contribution,
    Coverage,
    DecoyFound,
    Edge,
    FloorFacts,
    Measures,
    Pattern,
    Pen,
    Pocket,
    Smear,
)
from coverage_lab.room.room import Decoy, Marker, Obstacle, Overhang, Room, Zone

ROBOTS_TOML = """\
[heron]
nozzle_mm = 220
led_count = 14
lit_length_mm = 215
bar_height_mm = 95
bar_height_tolerance_mm = 2
bar_forward_mm = 0
body_diameter_mm = 330
body_height_mm = 98

[wren]
nozzle_mm = 180
led_count = 0
lit_length_mm = 178
bar_height_mm = 80
bar_height_tolerance_mm = 2
bar_forward_mm = -40
body_diameter_mm = 300
body_height_mm = 82
"""


def refusal(action: Callable[[], Any]) -> list[str]:
    """Run what must be refused, check class, code and that each message is one line; return the lines."""
    with pytest.raises(BadInput) as caught:
        action()
    assert caught.value.exit_code == ExitCode.BAD_INPUT
    lines = str(caught.value).splitlines()
    assert len(lines) == len(caught.value.problems)
    assert all(problem.wrong and problem.mend for problem in caught.value.problems)
    return lines


def only_refusal(action: Callable[[], Any], *words: str) -> None:
    """Run what must be refused for one mistake, whose message holds all the words."""
    lines = refusal(action)
    assert len(lines) == 1, lines
    for word in words:
        assert word in lines[0], lines[0]


def sample_room() -> Room:
    """A room with a feature of every role."""
    return Room(
        floor=box(0, 0, 4, 3),
        floor_tolerance_m=0.004,
        obstacles=(
            Obstacle("bench", box(1, 1, 1.5, 1.5), 0.4),
            Obstacle("table", MultiPolygon([box(2, 2, 2.05, 2.05), box(3, 2, 3.05, 2.05)]), 0.45, 0.005),
        ),
        overhangs=(Overhang("bed", box(2.5, 0, 4, 1), 0.2, 0.5),),
        decoys=(Decoy("sock", box(0.5, 2.5, 0.6, 2.6), 0.02, 360), Decoy("cable", box(3, 2.5, 3.1, 2.6), 0.01)),
        zones=(Zone("west", box(0, 0, 2, 3)),),
        markers=(
            Marker("apriltag_36h11", 0, (0.3, 0.3), 0.15, 0.0),
            Marker("apriltag_36h11", 1, (3.7, 0.3), 0.15, -30.5, 0.1, 0.003),
        ),
        dock_m=(0.5, 0.35),
    )


NEVER_NEAR: dict[str, Any] = {
    "decoy": "cable",
    "verdict": "not challenged",
    "contact_seen": None,
    "nozzle_clearance_mm": None,
    "nearest_m": None,
    "body_clearance_mm": None,
    "body_basis": None,
    "smear": None,
}


def sample_decoy(around: Callable[[float, float], Quantity]) -> DecoyFound:
    """A decoy that was driven over."""
    return DecoyFound(
        decoy="sock",
        approach_deg=90,
        verdict="driven over",
        contact_seen=True,
        nozzle_clearance_mm=around(-20.123456, 2.0),
        nearest_m=((1.23456, 0.5), (1.25, 0.51)),
        body_clearance_mm=around(-75.0, 3.0),
        body_basis="frames",
        profile=((92.5, 0.0), (97.5, 12.3456), (102.5, None)),
        approached_percent=66.6666,
        rings={50: around(30.0, 1.0), 100: around(40.0, 1.0), 150: None},
        smear=Smear(12.34567, (50.0,), around(8.123456, 0.01), around(1.5, 0.02)),
    )


def sample_measures(percent: float = 91.23456, **changes: Any) -> Measures:
    """A measured run with something in every part."""

    def around(value: float, u: float = 0.25) -> Quantity:
        return Quantity(value, u, (value - 2 * u, value + 2 * u))

    pocket = Pocket(
        id=1,
        area_cm2=around(123.456789),
        diameter_mm=around(98.7654321),
        pole_m=(1.23456, 0.98765),
        centroid_m=(1.2, 1.0),
        place="at an obstacle",
        near="bench",
        touches_hidden=False,
        outline_m=((1.0, 0.9), (1.0, 1.1), (1.3, 1.1), (1.3, 0.9), (1.0, 0.9)),  # clockwise
    )
    values: dict[str, Any] = {
        "key": "2031-02-11/heron-1",
        "robot": "heron",
        "repeat": 1,
        "trial": "coverage",
        "conditions": {"floor": "vinyl", "battery": "80"},
        "verdict": "measured",
        "reason": None,
        "quality": (Quality("hidden-floor", "note", "2 % of the floor is hidden"),),
        "camera": CameraFacts(0.123456, 0.23456, 2.75, (2.0, 1.6, 2.75), 4, ("apriltag_36h11 3",)),
        "floor": FloorFacts(11.5, 11.2, 0.3, 11.0, 0.5),
        "coverage": Coverage(
            percent=around(percent),
            percent_of_reachable=around(95.0),
            whole_floor_95=(88.8, 94.4),
            swept_m2=around(10.2, 0.03),
            bridged_m2=None,
            zones={"west": around(90.0), "east": None},
            contributions={"threshold": Contribution(0.2, "run"), "camera": Contribution(0.15, "night")},
        ),
        "edges": (
            Edge("wall 1", 180.0, around(12.3456), 20.0, 0.95),
            Edge("bench", None, None, None, 0.0),
        ),
        "pockets": (pocket,),
        "pattern": Pattern(around(87.654321), "lanes", 0.98, 0.9, 0.97),
        "avoidance": (sample_decoy(around), replace(sample_decoy(around), **NEVER_NEAR)),
        "pen": Pen(around(92.0), around(0.02, 0.001), around(0.5, 0.1)),
    }
    return Measures(**(values | changes))
