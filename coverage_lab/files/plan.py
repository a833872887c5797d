"""Read and write `plan.npz`: a run's floor as cells, which is all that later steps need of its frames."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from coverage_lab.compare.floor import FloorBlocks, floor_blocks
from coverage_lab.errors import BadInput, Problem
from coverage_lab.room.grid import FloorGrid, ShareArray

_SHARES = ("swept", "free", "hidden", "reachable")
_FULL = 255  # a share of one; the step of 0.4 % of a cell is far below any edge's doubt
_FULL_BLOCK = 65535  # a share of one of a block
_FAST = 1  # zlib's quickest level: plain floor shrinks hundredfold at any level


@dataclass(frozen=True, slots=True, eq=False)
class PlanArrays:
    """The floor of one run as shares of cells in [0, 1], shape (rows, cols), row 0 at the north edge."""

    grid: FloorGrid
    swept: ShareArray
    free: ShareArray
    hidden: ShareArray
    reachable: ShareArray
    first_swept: NDArray[np.uint16] | None = None  # frame in which a cell was first swept, from 1; 0 = never
    bridged: ShareArray | None = None  # of it, passed over while the shutter was closed
    smeared: ShareArray | None = None  # swept after the first contact with a decoy


def plan_to_bytes(plan: PlanArrays) -> bytes:
    """Return a plan as a compressed NumPy archive; shares become bytes, 255 = whole. Equal plans, equal bytes.

    Raises ValueError where an array does not fit the grid.
    """
    grid = plan.grid
    arrays: dict[str, NDArray[np.generic]] = {"grid": np.array([grid.west_m, grid.north_m, grid.cell_m])}
    for name in _SHARES:
        arrays[name] = _to_bytes(getattr(plan, name))
    if plan.first_swept is not None:
        arrays["first_swept"] = plan.first_swept.astype(np.uint16)
    if plan.bridged is not None:
        arrays["bridged"] = _to_bytes(plan.bridged)
    if plan.smeared is not None:
        arrays["smeared"] = _to_bytes(plan.smeared)
    for name, array in arrays.items():
        if name != "grid" and array.shape != grid.shape:
            raise ValueError(f"{name} has the shape {array.shape} and the grid {grid.shape}")
    arrays |= _stored_blocks(plan)
    archive = io.BytesIO()
    with zipfile.ZipFile(archive, "w", zipfile.ZIP_DEFLATED, compresslevel=_FAST) as members:
        for name, array in arrays.items():
            content = io.BytesIO()
            np.lib.format.write_array(content, array, allow_pickle=False)
            # ZipInfo's own date is fixed; writestr with a plain name would store the time of day.
            info = zipfile.ZipInfo(f"{name}.npy")
            info.compress_type = zipfile.ZIP_DEFLATED
            members.writestr(info, content.getvalue())
    return archive.getvalue()


def _to_bytes(share: ShareArray) -> NDArray[np.uint8]:
    # Adding a half and cutting off is rounding, five times as fast as np.rint on a float array.
    return (share * np.float32(_FULL) + np.float32(0.5)).astype(np.uint8)


def _stored_blocks(plan: PlanArrays) -> dict[str, NDArray[np.generic]]:
    """Return the floor in blocks beside its cells, so that a comparison of thousands of runs need not count these."""
    floor, swept = floor_blocks(plan.grid, as_stored(plan.swept), as_stored(plan.free), as_stored(plan.hidden))
    return {
        "block_grid": np.array([floor.grid.west_m, floor.grid.north_m, floor.grid.cell_m]),
        "block_free": _to_words(floor.free),
        "block_hidden": floor.hidden,
        "block_swept": _to_words(swept),
    }


def _to_words(share: ShareArray) -> NDArray[np.uint16]:
    return (share * np.float32(_FULL_BLOCK) + np.float32(0.5)).astype(np.uint16)


def _from_words(stored: NDArray[np.generic]) -> ShareArray:
    return stored.astype(np.float32) / np.float32(_FULL_BLOCK)


def read_floor_blocks(path: Path) -> FloorBlocks:
    """Return the floor of a stored plan in blocks. Raises BadInput if it is missing or broken."""
    stored = _block_arrays(path, "block_grid", "block_free", "block_hidden")
    west_m, north_m, cell_m = stored["block_grid"].tolist()
    rows, cols = stored["block_free"].shape
    grid = FloorGrid(west_m, north_m, rows, cols, cell_m)
    return FloorBlocks(grid, _from_words(stored["block_free"]), stored["block_hidden"].astype(np.bool_))


def read_swept_blocks(path: Path) -> ShareArray:
    """Return the share of each block of a stored plan that is free, visible and swept. Raises BadInput as before."""
    return _from_words(_block_arrays(path, "block_swept")["block_swept"])


def _block_arrays(path: Path, *names: str) -> Mapping[str, NDArray[np.generic]]:
    broken = suppress(OSError, EOFError, ValueError, KeyError, zipfile.BadZipFile)  # `read_plan` says what is wrong
    with broken, np.load(path, allow_pickle=False) as stored:
        if names[0] in stored:
            return {name: stored[name] for name in names}
    return _stored_blocks(read_plan(path))  # of a version that stored cells only


def as_stored(share: ShareArray) -> ShareArray:
    """Return shares as they come back from a stored plan."""
    return _to_bytes(share).astype(np.float32) / np.float32(_FULL)


def read_plan(path: Path) -> PlanArrays:
    """Return a stored plan. Raises BadInput if it is missing or broken."""
    try:
        with np.load(io.BytesIO(path.read_bytes()), allow_pickle=False) as stored:
            west_m, north_m, cell_m = stored["grid"].tolist()
            shares = {name: stored[name].astype(np.float32) / np.float32(_FULL) for name in _SHARES}
            first, between, after = (stored.get(name) for name in ("first_swept", "bridged", "smeared"))
    except FileNotFoundError:
        raise BadInput(Problem(path, "", "there is no such file", "Measure the run first")) from None
    except (OSError, EOFError, ValueError, KeyError, zipfile.BadZipFile) as error:
        raise BadInput(Problem(path, "", f"is no stored plan: {error}", "Measure the run again")) from None
    rows, cols = shares["swept"].shape
    bridged, smeared = (
        None if bytes_ is None else bytes_.astype(np.float32) / np.float32(_FULL) for bytes_ in (between, after)
    )
    grid = FloorGrid(west_m, north_m, rows, cols, cell_m)
    return PlanArrays(grid, **shares, first_swept=first, bridged=bridged, smeared=smeared)
