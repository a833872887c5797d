"""What a comparison of robots says, as frozen values; tables, charts and the report page are drawn from it.

Shares are percent, 0-100; units are in the names. None means that the runs cannot tell.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from coverage_lab.compare.decoys import DecoyMatrix
from coverage_lab.job import Quality
from coverage_lab.pickup.values import PickupResult

HEADLINE = "common_percent"  # the measure that robots are ranked by: coverage of the floor that all runs show


@dataclass(frozen=True, slots=True)
class Measure:
    """One number that runs are compared by."""

    key: str  # as in tables, with its unit
    label: str  # in words
    unit: str  # "" for a plain number
    better: Literal["higher", "lower", "neither"]


@dataclass(frozen=True, slots=True)
class ComparedRun:
    """A run of the season: its numbers, and if it is not compared, why."""

    key: str
    robot: str
    repeat: int | None
    night: str
    room: str
    trial: str
    folder: str  # of its results, from the season's folder on, with slashes
    verdict: Literal["measured", "refused", "failed"]
    left_out: str | None  # why it is not compared; None = it is
    quality: tuple[Quality, ...]
    review: Literal["open", "accepted", "refused", "re-opened"]  # re-opened: numbers changed since it was reviewed
    review_reason: str | None
    review_by: str | None
    review_utc: str | None
    values: Mapping[str, float]  # by measure's key; a measure that the run does not have is not in it
    u: Mapping[str, float]  # standard uncertainties, where they are stated
    method: int
    settings_digest: str
    measures_sha256: str
    made_utc: str | None
    version: str | None  # of the program


@dataclass(frozen=True, slots=True)
class Outlier:
    """A repeat that lies farther from its fellows than chance puts it; named, never removed for that."""

    run: str
    value: float
    p_value: float
    level: Literal["straggler", "outlier"]  # below 5 %, below 1 %: the terms of ISO 5725-2


@dataclass(frozen=True, slots=True)
class Summary:
    """One measure over the repeats of one robot."""

    measure: str
    n: int
    mean: float
    sd: float | None  # None with one repeat
    interval_95: tuple[float, float] | None  # of the mean, from the repeats' spread alone (Student)
    repeatability_limit: float | None  # two repeats differ by less, 95 of 100 times: 2.8 sd (ISO 5725-6)
    u_shared: float | None  # what all repeats have in common and no repeat averages out; None = not stated
    interval_with_shared_95: tuple[float, float] | None  # of the mean, with it
    outliers: tuple[Outlier, ...]


@dataclass(frozen=True, slots=True)
class Spread:
    """One measure's repeatability, pooled over all robots with two repeats or more."""

    measure: str
    robots: int
    dof: int
    sd: float
    repeatability_limit: float


@dataclass(frozen=True, slots=True)
class Robot:
    """One robot's place in the comparison."""

    robot: str
    runs: int  # compared
    nights: int
    summaries: Mapping[str, Summary]  # by measure's key
    estimate_percent: float | None  # of the headline by the model: a typical night's coverage
    estimate_95: tuple[float, float] | None  # with what repeats share
    places: tuple[int, int] | None  # best and worst place that cannot be ruled out, 1 = first
    group: str  # letters; robots that have one in common cannot be told apart. "" = not judged


@dataclass(frozen=True, slots=True)
class Model:
    """The one model for differences between robots: missed share on a logit scale, night as random effect."""

    runs: int
    robots: int
    nights: int
    sd_logit: float  # between repeats within a night, pooled over robots
    dof: float
    night_sd_logit: float | None  # None = cannot be told from the runs
    notes: tuple[str, ...]  # what the runs cannot tell


@dataclass(frozen=True, slots=True)
class Difference:
    """How far a robot's headline lies above another's."""

    robot: str
    against: str
    points: float
    interval_95: tuple[float, float] | None  # holds for all differences of its family at once
    p_value: float | None  # adjusted for the family
    different: bool
    not_judged: str | None  # why
    odds_ratio: float  # of missing a place: robot over against
    se_logit: float | None  # of everything
    u_shared_logit: float  # the part of it that repeats cannot average out
    repeats_needed: int | None  # of each, in all, to tell them apart 4 times of 5; None = no number would, or not known


@dataclass(frozen=True, slots=True)
class Family:
    """Differences judged together: no false one among all of them, 95 of 100 times."""

    test: Literal["Tukey", "Dunnett"]
    reference: str | None  # of Dunnett's
    dof: float
    critical: float  # a difference counts from so many standard errors on
    differences: tuple[Difference, ...]


@dataclass(frozen=True, slots=True)
class CommonFloor:
    """The floor of one room that all its compared runs show, in whole blocks."""

    room: str
    common_m2: float
    visible_m2: tuple[float, float]  # least and most of a single run
    block_m: float


@dataclass(frozen=True, slots=True)
class ScoredMeasure:
    """One line of a scorecard."""

    measure: str
    weight_percent: float  # of all weights
    zero_at: float
    hundred_at: float


@dataclass(frozen=True, slots=True)
class Scored:
    """A robot's composite."""

    robot: str
    n: int
    score: float  # 0-100
    interval_95: tuple[float, float] | None
    parts: Mapping[str, float]  # points 0-100 by measure, before weighting
    first_percent: float  # of random weightings that put it first


@dataclass(frozen=True, slots=True)
class Scorecard:
    """A composite by given weights, and how far its order hangs on them."""

    title: str
    example: bool  # weights that nobody decided on
    measures: tuple[ScoredMeasure, ...]
    robots: tuple[Scored, ...]  # best first
    left_out: Mapping[str, str]  # robots without a composite: why
    weightings: int  # random ones tried


@dataclass(frozen=True, slots=True)
class Comparison:
    """Robots side by side, in one room (or, if asked, across rooms) and one kind of trial."""

    season: str  # the folder's name
    trial: str
    rooms: tuple[str, ...]
    measures: tuple[Measure, ...]
    runs: tuple[ComparedRun, ...]  # all of the season, natural order; also those left out
    robots: tuple[Robot, ...]  # best estimate first; those without one last
    spreads: Mapping[str, Spread]  # by measure's key
    model: Model | None
    tukey: Family | None  # up to 20 robots
    dunnett: Family | None  # against a reference robot
    scorecard: Scorecard | None
    decoys: DecoyMatrix | None  # of avoidance trials
    pickup: tuple[PickupResult, ...]  # the season's soil tests, a result per sheet
    floors: tuple[CommonFloor, ...]
    settings: Mapping[str, Any]  # by digest: the analysis settings
    methods: tuple[int, ...]
    versions: tuple[str, ...]
    problems: tuple[str, ...]  # results that could not be read
    warnings: tuple[str, ...]
