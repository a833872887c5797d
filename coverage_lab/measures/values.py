"""What a measured run says, as frozen values; `files.results` writes them as measures.json.

Units are in the names. Shares are percent, 0-100. A measurand is a `Quantity`; None means unknown.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from coverage_lab.job import Quality, Quantity

SharedBy = Literal["run", "robot", "night", "room"]


@dataclass(frozen=True, slots=True)
class Contribution:
    """One source's standard uncertainty in percentage points of coverage, and what else it is shared by.

    `u_mm` is the source's own standard uncertainty where it is one length; points over it is the sensitivity.
    """

    points: float
    shared_by: SharedBy
    u_mm: float | None = None


@dataclass(frozen=True, slots=True)
class CameraFacts:
    """How well the camera was found."""

    reprojection_rms_px: float
    reprojection_rms_mm: float
    height_m: float
    centre_m: tuple[float, float, float]
    markers_used: int
    markers_dropped: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class FloorFacts:
    """The floor that coverage is a share of."""

    free_m2: float
    visible_m2: float
    hidden_m2: float
    reachable_m2: float
    fringe_m2: float


@dataclass(frozen=True, slots=True)
class Coverage:
    """How much floor was swept."""

    percent: Quantity
    percent_of_reachable: Quantity | None
    whole_floor_95: tuple[float, float]
    swept_m2: Quantity
    bridged_m2: float | None
    zones: Mapping[str, Quantity | None]
    contributions: Mapping[str, Contribution]


@dataclass(frozen=True, slots=True)
class Edge:
    """How near a wall, or an obstacle's outline, was swept."""

    along: str  # "wall 1" (counter-clockwise from the first vertex) or the obstacle's name
    bearing_deg: float | None  # outward, clockwise from north; None around an obstacle
    mean_mm: Quantity | None  # None where nothing could be measured
    p95_mm: float | None
    share_measured: float  # 0-1


@dataclass(frozen=True, slots=True)
class Pocket:
    """A connected part of missed floor."""

    id: int  # 1 = the largest inscribed circle
    area_cm2: Quantity
    diameter_mm: Quantity  # of the largest inscribed circle
    pole_m: tuple[float, float]  # its centre
    centroid_m: tuple[float, float]
    place: Literal["corner", "along a wall", "at an obstacle", "open floor"]
    near: str | None  # which wall or obstacle
    touches_hidden: bool
    outline_m: tuple[tuple[float, float], ...] = ()  # closed ring; goes to pockets.geojson, not to measures.json


@dataclass(frozen=True, slots=True)
class Pattern:
    """How regular the driving was; parts in [0, 1], score 0-100. Formulas in docs/method.md."""

    score: Quantity
    label: Literal["lanes", "crossed lanes", "contour", "spiral", "random"]
    alignment: float
    spacing: float
    straightness: float


@dataclass(frozen=True, slots=True)
class MostDriven:
    """A place that was driven over more often than almost all other floor."""

    pole_m: tuple[float, float]  # centre of the largest circle inside it
    diameter_mm: float  # of that circle
    area_cm2: Quantity
    visits: float  # mean over the place


@dataclass(frozen=True, slots=True)
class Passes:
    """How often the same floor was passed over."""

    basis: Literal["frames", "light"]
    repeat_ratio: Quantity | None  # floor passed over, repeats counted, over swept floor
    visits: Mapping[str, float] | None  # percent of visible floor visited "once", "twice", "more"; by frames only
    frame_s: float | None  # from one frame's start to the next one's
    most_driven: tuple[MostDriven, ...] | None = None  # the most visited first; by frames only


@dataclass(frozen=True, slots=True)
class GrowthPoint:
    """Coverage of the visible floor after a frame."""

    t_s: float | None  # its end, from the first frame's start; None without a clock
    percent: float
    u: float


@dataclass(frozen=True, slots=True)
class Timing:
    """A run in time, seconds; None where nothing tells."""

    duration_s: float | None  # from the first movement to the last
    duration_u_s: float | None
    duration_source: Literal["frames", "sheet"] | None
    frames: int
    growth: tuple[GrowthPoint, ...]
    time_to_s: Mapping[str, float | None]  # from the first frame's start
    rate_m2_min: float | None  # swept floor over duration
    still_s: float | None  # stood between first and last movement
    at_dock_s: float | None  # of it, at the dock
    distance_m: Quantity | None  # driven by the turning centre
    speed_m_s: float | None  # mean while it did not stand
    turns: Quantity | None = None  # changes of heading by 60 degrees or more, on the spot or within 0.1 m
    followed_percent: float | None = None  # of the way, along which the robot was followed


DecoyVerdict = Literal["clear", "touched", "driven over", "can't be told", "not challenged"]


@dataclass(frozen=True, slots=True)
class Smear:
    """What a robot did after it first touched a decoy, from a run of many frames: what would have been smeared."""

    contact_t_s: float | None  # of the first contact, from the run's start; None = no clock is known
    later_contacts_t_s: tuple[float, ...]  # of contacts after the robot had left the decoy
    length_m: Quantity  # driven by the turning centre from then on
    area_m2: Quantity  # passed over by the nozzle from then on


@dataclass(frozen=True, slots=True)
class DecoyFound:
    """How near a robot came to one decoy, and how much it cleaned around it."""

    decoy: str
    approach_deg: int
    verdict: DecoyVerdict
    contact_seen: bool | None  # by the engineer; None = the run sheet says nothing
    nozzle_clearance_mm: Quantity | None  # to the nearest swept floor, below 0 inside the footprint
    nearest_m: tuple[tuple[float, float], tuple[float, float]] | None  # on the footprint, and on swept floor
    body_clearance_mm: Quantity | None  # of the body's outline; its interval is a bound where the basis is light
    body_basis: Literal["frames", "light"] | None
    profile: tuple[tuple[float, float | None], ...]  # bearing in degrees, mm to swept floor in that 5 degree step
    approached_percent: float | None  # of these steps, in which floor within 100 mm was cleaned
    rings: Mapping[int, Quantity | None]  # cleaned share within 50, 100 and 150 mm; None: no visible floor there
    smear: Smear | None


@dataclass(frozen=True, slots=True)
class Pen:
    """The floor that decoys were laid on."""

    beyond_100_percent: Quantity | None  # coverage of visible floor farther than 100 mm from every decoy
    caution_m2: Quantity  # floor farther than that which was left out together with floor at a decoy
    caution_percent: Quantity  # of the visible floor


@dataclass(frozen=True, slots=True)
class Measures:
    """All numbers of one run; None where this kind of run cannot give them."""

    key: str
    robot: str
    repeat: int | None
    trial: str
    conditions: Mapping[str, str]
    verdict: Literal["measured", "refused", "failed"]
    reason: str | None
    quality: tuple[Quality, ...]
    camera: CameraFacts | None = None
    floor: FloorFacts | None = None
    coverage: Coverage | None = None
    edges: tuple[Edge, ...] | None = None
    pockets: tuple[Pocket, ...] | None = None
    pattern: Pattern | None = None
    passes: Passes | None = None
    timing: Timing | None = None
    avoidance: tuple[DecoyFound, ...] | None = None
    pen: Pen | None = None
