"""From a season's index to robots side by side: which runs are compared, on which floor, and what they say."""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath
from typing import Any

from coverage_lab.compare.decoys import decoy_matrix
from coverage_lab.compare.remarks import warnings
from coverage_lab.compare.robots import Compared, compare_robots
from coverage_lab.compare.scorecard import Card, score
from coverage_lab.compare.shared import Share
from coverage_lab.compare.values import CommonFloor, ComparedRun, Comparison
from coverage_lab.errors import BadInput, Problem
from coverage_lab.files.checking import quoted, suggest
from coverage_lab.files.hair import is_hair
from coverage_lab.files.pickup import pickup_from_json
from coverage_lab.measures.values import Measures
from coverage_lab.pickup.values import PickupResult
from coverage_lab.season.entry import DOCUMENTS
from coverage_lab.season.index import Index
from coverage_lab.season.numbers import MEASURES, compared_run, shares_of
from coverage_lab.season.shown import on_common_floor

_KEY_ROOM = 8  # digits of a room file's SHA-256 that tell rooms of one name apart


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is to be compared."""

    trial: str = "coverage"
    robots: tuple[str, ...] = ()  # empty = all
    reference: str | None = None
    allow_mixed: bool = False  # methods and settings
    across_rooms: bool = False


@dataclass(slots=True)
class _Season:
    """All runs of a season, small enough to be held together."""

    folder: Path
    runs: list[ComparedRun]
    shares: dict[str, dict[str, Share]]  # by run's key
    avoiding: dict[str, Measures]  # by run's key: avoidance trials
    entries: dict[str, str]  # by run's key: its robot's register entry
    pickup: tuple[PickupResult, ...]
    settings: dict[str, Any]  # by digest
    problems: tuple[str, ...]


def compare_season(index: Index, wanted: Wanted, card: Card | None = None) -> tuple[Comparison, ...]:
    """Compare the robots of a season: one comparison per room, or one in all if rooms are to be mixed.

    Raises BadInput where there is no result, for robots that are not there, for mixed methods or settings unless they
    are allowed, and where runs show no floor in common.
    """
    season = _load(index, wanted.trial)
    _check_names(season, wanted)
    season.runs = [_chosen(run, wanted) for run in season.runs]
    if not wanted.allow_mixed:
        _check_mixed(season)
    # A room in which only other trials were run has nothing to compare.
    inside = [run for run in season.runs if run.trial == wanted.trial] or season.runs
    rooms = list(dict.fromkeys(run.room for run in inside))
    together = [tuple(rooms)] if wanted.across_rooms else [(room,) for room in rooms]
    return tuple(_compared(season, names, wanted, card) for names in together)


def _load(index: Index, trial: str) -> _Season:
    pickup, problems = _pickup(index)
    problems = (*(str(problem) for problem in index.problems()), *problems)
    season = _Season(index.season, [], {}, {}, {}, pickup, {}, problems)
    names = _RoomNames()
    for stored in index.runs():
        digest = hashlib.sha256(json.dumps(stored.made["settings"], sort_keys=True).encode()).hexdigest()[:12]
        season.settings.setdefault(digest, stored.made["settings"])
        run = compared_run(stored, names.name(stored.made), digest)
        if run.left_out is None and run.trial != trial:
            run = replace(run, left_out=f"its trial is {run.trial}")
        season.runs.append(run)
        if run.left_out is None:
            season.shares[run.key] = shares_of(stored.measures)
            season.entries[run.key] = json.dumps(stored.made.get("robot"), sort_keys=True)
            if run.trial == "avoidance":
                season.avoiding[run.key] = stored.measures
    if not season.runs:
        raise BadInput(Problem(index.season, "", "has no results", "Measure it first"))
    season.runs = [replace(run, room=names.told_apart(run.room)) for run in season.runs]
    return season


def _pickup(index: Index) -> tuple[tuple[PickupResult, ...], tuple[str, ...]]:
    """Return the season's soil tests, and what could not be read of them."""
    results, problems = [], []
    for name, content in index.documents():
        if is_hair(content):  # a single picture's number, which no comparison takes
            continue
        try:
            results.append(pickup_from_json(content, index.season / DOCUMENTS / name))
        except BadInput as error:
            problems.append(str(error))
    return tuple(results), tuple(problems)


class _RoomNames:
    """Rooms by the content of their file; called by its name, and by some digits too where names are equal."""

    def __init__(self) -> None:
        self._stems: dict[str, str] = {}

    def name(self, made: Mapping[str, Any]) -> str:
        digest = str(made["sha256"].get("room", ""))
        place = made.get("stamps", {}).get("room", ["room"])[0]
        self._stems.setdefault(digest, PurePosixPath(place).stem)
        return digest

    def told_apart(self, digest: str) -> str:
        stem = self._stems[digest]
        alone = Counter(self._stems.values())[stem] == 1
        return stem if alone else f"{stem} {digest[:_KEY_ROOM]}"


def _check_names(season: _Season, wanted: Wanted) -> None:
    known = sorted({run.robot for run in season.runs})
    asked = [("--robot", name) for name in wanted.robots]
    asked += [("--reference", wanted.reference)] if wanted.reference is not None else []
    problems = [
        Problem(season.folder, option, f"no run is of a robot {quoted(name)}", suggest(name, known))
        for option, name in asked
        if name not in known
    ]
    if problems:
        raise BadInput(problems)


def _chosen(run: ComparedRun, wanted: Wanted) -> ComparedRun:
    if run.left_out is None and wanted.robots and run.robot not in (*wanted.robots, wanted.reference):
        return replace(run, left_out="its robot was not chosen")
    return run


def _check_mixed(season: _Season) -> None:
    """Refuse numbers that were made in different ways."""
    problems = []
    for what, name in (("method", "method"), ("settings", "settings_digest")):
        first: dict[object, ComparedRun] = {}
        for run in season.runs:
            if run.left_out is None:
                first.setdefault(getattr(run, name), run)
        if len(first) > 1:
            told = " and ".join(f"{value} ({run.key})" for value, run in list(first.items())[:4])
            mend = "Measure the season again, or compare nevertheless with --allow-mixed"
            problems.append(Problem(season.folder, what, f"numbers were made with {told}", mend))
    if problems:
        raise BadInput(problems)


def _compared(season: _Season, rooms: tuple[str, ...], wanted: Wanted, card: Card | None) -> Comparison:
    runs = [run for run in season.runs if run.room in rooms]
    floors: list[CommonFloor] = []
    doubts: list[str] = []
    measured: dict[str, ComparedRun] = {}
    for room in rooms:
        found = on_common_floor(season.folder, [run for run in runs if run.room == room])
        measured |= {run.key: run for run in found.runs}
        floors += [] if found.floor is None else [found.floor]
        doubts += [] if found.warning is None else [found.warning]
    runs = [measured[run.key] for run in runs]
    inside = [run for run in runs if run.left_out is None]
    keys = {key for run in inside for key in run.values}
    measures = tuple(measure for measure in MEASURES if measure.key in keys)
    shares = [season.shares[run.key] for run in inside]
    reference = wanted.reference if any(run.robot == wanted.reference for run in inside) else None
    compared = compare_robots(inside, shares, measures, reference) if inside else Compared((), {}, None, None, None)
    return Comparison(
        season=season.folder.name,
        trial=wanted.trial,
        rooms=rooms,
        measures=measures,
        runs=tuple(runs),
        robots=compared.robots,
        spreads=compared.spreads,
        model=compared.model,
        tukey=compared.tukey,
        dunnett=compared.dunnett,
        decoys=decoy_matrix(season.avoiding[run.key] for run in inside) if wanted.trial == "avoidance" else None,
        pickup=season.pickup,
        scorecard=None if card is None or not inside else score(card, inside, shares),
        floors=tuple(floors),
        settings={digest: season.settings[digest] for digest in dict.fromkeys(run.settings_digest for run in runs)},
        methods=tuple(sorted({run.method for run in runs})),
        versions=tuple(sorted({run.version for run in runs if run.version})),
        problems=season.problems,
        warnings=(*doubts, *warnings(inside, compared, wanted.reference, season.entries)),
    )
