"""The plain values that describe a job: robots, a night, its runs, settings, and what a number is.

SI inside (metres, seconds, radians); every name carries its unit. No behaviour beyond what follows from the
values themselves; parsing and writing live in `coverage_lab.files`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

METHOD = 2  # raised only when numbers change; part of what decides whether a result is still good


@dataclass(frozen=True, slots=True)
class Bar:
    """The light bar on a robot: as long as the nozzle and straight above it."""

    nozzle_m: float  # the width of floor that the bar stands for
    led_count: int  # 0 = continuous tube
    lit_length_m: float  # first to last LED centre; for a tube its lit length
    height_m: float  # light above the floor
    height_tolerance_m: float  # half-width of a rectangular distribution
    forward_m: float  # bar and nozzle ahead of the turning centre

    @property
    def pitch_m(self) -> float | None:
        """Distance between neighbouring LED centres; None for a tube or a single LED."""
        return self.lit_length_m / (self.led_count - 1) if self.led_count > 1 else None

    @property
    def overhang_m(self) -> float:
        """How far the nozzle reaches beyond the outermost LED centre (or the tube's lit end), each side."""
        return (self.nozzle_m - self.lit_length_m) / 2


@dataclass(frozen=True, slots=True)
class Robot:
    """One entry of the register."""

    name: str
    bar: Bar
    body_diameter_m: float  # widest plan dimension
    body_height_m: float


@dataclass(frozen=True, slots=True)
class Settings:
    """Everything an analyst may set that changes the numbers; `[settings]` in night.toml (lengths there in mm)."""

    cell_m: float = 0.002  # side of a floor cell
    smallest_pocket_m: float = 0.030  # diameter of the smallest pocket that is listed
    edge_step_m: float = 0.010  # distance between two measurements along a wall


@dataclass(frozen=True, slots=True)
class PickedCorner:
    """A point picked by hand in the reference frame instead of a marker corner."""

    pixel: tuple[float, float]  # column, row; (0, 0) is the centre of the first pixel
    floor_m: tuple[float, float]


@dataclass(frozen=True, slots=True)
class CameraSetup:
    """What is known of the camera before looking at a picture."""

    source: Literal["jpeg", "raw"] = "jpeg"
    height_m: float | None = None  # tape, floor to lens
    height_tolerance_m: float | None = None
    clock_offset_s: float = 0.0
    timezone: str | None = None
    corners: tuple[PickedCorner, ...] = ()


@dataclass(frozen=True, slots=True)
class Run:
    """One run of one robot: what is to be measured."""

    id: str
    key: str  # <night>/<run>
    robot: str
    repeat: int | None
    trial: Literal["coverage", "avoidance"]
    frames: tuple[Path, ...]
    reference: Path | None = None  # this run's own reference frame, if it has one
    duration_s: float | None = None
    contact_seen: str | None = None
    note: str = ""
    conditions: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Night:
    """One evening of exposures under one camera set-up."""

    folder: Path
    name: str
    room: Path
    reference: Path | None  # None only where hand-picked corners take its place
    reference_after: Path | None
    lens: Path | None
    dark: Path | None
    ambient: Path | None
    camera: CameraSetup
    settings: Settings
    robots: Mapping[str, Robot]  # the register with this night's overrides
    elsewhere: Path | None = None  # folder that results go to, if not to the night's own

    @property
    def results(self) -> Path:
        """The folder with a results folder for each run."""
        return (self.elsewhere or self.folder) / "results"


@dataclass(frozen=True, slots=True)
class Quantity:
    """A measurand: best estimate, standard uncertainty and 95 % interval, all in the unit its name states.

    Source of the terms: JCGM 100:2008, 2.3.1 (standard uncertainty) and 6.2 (expanded uncertainty).
    """

    value: float
    u: float
    interval_95: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Quality:
    """One remark on a run: a stable code, how bad it is, and a sentence for the reviewer."""

    code: str
    level: Literal["note", "warning", "refused"]
    text: str
