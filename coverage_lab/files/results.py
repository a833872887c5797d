"""Write a run's results folder: the truth that everything later is drawn from."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import shapely

from coverage_lab.errors import BadInput, CannotWrite, Problem
from coverage_lab.files.checking import read_json
from coverage_lab.files.geometry import geojson
from coverage_lab.files.measures import measures_from_json, measures_to_json, read_measures, to_bytes
from coverage_lab.files.plan import PlanArrays, plan_to_bytes, read_plan
from coverage_lab.files.store import move_files, remove_file, write_files
from coverage_lab.files.timing import growth_to_bytes
from coverage_lab.files.track import track_to_bytes
from coverage_lab.measures.values import Measures, Pocket
from coverage_lab.room.track import Track

__all__ = [
    "PlanArrays",
    "measures_to_json",
    "place_results",
    "pockets_to_bytes",
    "read_measures",
    "read_plan",
    "read_run",
    "write_results",
]

PICTURES = ("overlay.png", "plate.png", "track.png", "growth.png", "poster.png", "timelapse.gif", "timelapse.mp4")
_OPTIONAL = ("plan.npz", "pockets.geojson", "growth.csv", "track.csv", *PICTURES)  # what a run may not have


def write_results(
    folder: Path,
    measures: Measures,
    made: Mapping[str, Any],
    plan: PlanArrays | None,
    pictures: Mapping[str, bytes],
    track: Track | None = None,
) -> None:
    """Write what was found of one run into its results folder; `made` tells how (time, host, versions, hashes).

    pictures : what was drawn of the run, by the names in PICTURES.

    Former numbers that differ are kept as earlier/<first 12 digits of their SHA-256>.json. What a run does not
    have is removed, so that no picture stays beside numbers it does not belong to. Raises CannotWrite; if
    anything could not be stored, all that was there before is untouched.
    """
    numbers = to_bytes(measures_to_json(measures))
    contents = _earlier(folder, numbers)
    timing = measures.timing
    optional = {
        "plan.npz": None if plan is None else plan_to_bytes(plan),
        "pockets.geojson": None if measures.pockets is None else pockets_to_bytes(measures.pockets),
        "growth.csv": growth_to_bytes(timing) if timing is not None and timing.growth else None,
        "track.csv": None if track is None else track_to_bytes(track),
        **{name: pictures.get(name) for name in PICTURES},
    }
    contents |= {folder / name: content for name, content in optional.items() if content is not None}
    contents[folder / "measures.json"] = numbers
    # How it was made comes last: a folder that says so is complete.
    write_files(contents | {folder / "made.json": to_bytes(dict(sorted(made.items())))})
    for name, content in optional.items():
        if content is None:
            remove_file(folder / name)


def place_results(staged: Path, folder: Path) -> None:
    """Move what `write_results` wrote into the fresh folder `staged` to a run's results folder, on the same disk.

    Former numbers are kept and files that the run does not have are removed as there. While files are moved the folder
    has no made.json, so that one left half moved counts as not measured. Raises CannotWrite.
    """
    try:
        numbers = (staged / "measures.json").read_bytes()
    except OSError as error:
        wrong = f"is gone from the staging folder ({(error.strerror or str(error)).lower()})"
        raise CannotWrite(Problem(staged / "measures.json", "", wrong, "Measure the run again")) from error
    write_files(_earlier(folder, numbers))
    remove_file(folder / "made.json")
    there = [name for name in _OPTIONAL if (staged / name).exists()]
    for name in set(_OPTIONAL) - set(there):
        remove_file(folder / name)
    move_files({staged / name: folder / name for name in (*there, "measures.json", "made.json")})


def _earlier(folder: Path, numbers: bytes) -> dict[Path, bytes]:
    """Return the former numbers as a file to keep, if there are other ones."""
    try:
        former = (folder / "measures.json").read_bytes()
    except (FileNotFoundError, NotADirectoryError):
        return {}
    except OSError as error:
        wrong = f"cannot be read ({error.strerror})"
        raise CannotWrite(Problem(folder / "measures.json", "", wrong, "Check its access rights")) from error
    if former == numbers:
        return {}
    return {folder / "earlier" / f"{hashlib.sha256(former).hexdigest()[:12]}.json": former}


def pockets_to_bytes(pockets: Sequence[Pocket]) -> bytes:
    """Return missed pockets as GeoJSON in metres, one feature each, for a drawing program."""
    features = [
        {
            "type": "Feature",
            "properties": {
                "id": pocket.id,
                "area_cm2": round(pocket.area_cm2.value, 2),
                "diameter_mm": round(pocket.diameter_mm.value, 2),
                "pole_m": [round(along, 4) for along in pocket.pole_m],
                "place": pocket.place,
                "near": pocket.near,
                "touches_hidden": pocket.touches_hidden,
            },
            "geometry": geojson(shapely.Polygon(pocket.outline_m)) if pocket.outline_m else None,
        }
        for pocket in pockets
    ]
    return to_bytes({"type": "FeatureCollection", "units": "m", "features": features})


def read_run(folder: Path) -> Measures:
    """Return a run from its results folder, with the outlines of its pockets. Raises BadInput if it is broken."""
    content = read_measures(folder / "measures.json")
    path = folder / "pockets.geojson"
    try:
        outlines = outlines_from(read_json(path, "Measure the run again")) if content["pockets"] else None
        return measures_from_json(content, outlines)
    except (KeyError, TypeError, ValueError) as error:
        wrong = f"does not hold what a measured run says ({error})"
        raise BadInput(Problem(folder, "", wrong, "Measure the run again")) from None


def outlines_from(collection: Mapping[str, Any]) -> tuple[tuple[tuple[float, float], ...], ...]:
    """Return the pockets' outlines, as closed rings in metres, from what `pockets_to_bytes` wrote."""
    rings = [feature["geometry"]["coordinates"][0] if feature["geometry"] else [] for feature in collection["features"]]
    return tuple(tuple((x_m, y_m) for x_m, y_m in ring) for ring in rings)
