"""What a night's results hold, in a form in which two passes must agree."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np


def stored(night: Path) -> dict[str, object]:
    """The numbers of each run, byte by byte, and its picture and plan, decoded."""
    results = night / "results"
    found: dict[str, object] = {
        str(path.relative_to(results)): path.read_bytes()
        for pattern in ("*/measures.json", "*/pockets.geojson")
        for path in results.glob(pattern)
    }
    for path in results.glob("*/overlay.png"):
        picture = cv2.imread(str(path))
        assert picture is not None
        found[str(path.relative_to(results))] = np.asarray(picture).tobytes()
    for path in results.glob("*/plan.npz"):
        with np.load(path) as arrays:
            found[str(path.relative_to(results))] = {name: arrays[name].tobytes() for name in arrays.files}
    return found


def litter(night: Path) -> list[Path]:
    """What a pass that came to its end must not leave."""
    results = night / "results"
    return [*results.rglob(".*"), *results.glob("*/earlier")]
