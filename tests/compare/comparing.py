"""Made-up runs of robots, for tests of what compares them."""

from __future__ import annotations

import numpy as np

from coverage_lab.compare.shared import Share
from coverage_lab.compare.values import HEADLINE, ComparedRun, Measure

MEASURES = (
    Measure(HEADLINE, "Coverage", "%", "higher"),
    Measure("pockets", "Missed pockets", "", "lower"),
)


def a_run(robot: str, percent: float, *, night: str = "n1", repeat: int = 1, room: str = "large", **values: float):
    return ComparedRun(
        key=f"{night}/{robot}-{repeat}",
        robot=robot,
        repeat=repeat,
        night=night,
        room=room,
        trial="coverage",
        folder=f"{night}/results/{robot}-{repeat}",
        verdict="measured",
        left_out=None,
        quality=(),
        review="open",
        review_reason=None,
        review_by=None,
        review_utc=None,
        values={HEADLINE: percent, **values},
        u={HEADLINE: 0.2},
        method=1,
        settings_digest="ab",
        measures_sha256="cd",
        made_utc=None,
        version=None,
    )


def season_of(
    truths: dict[str, float], *, repeats: int, nights: int, seed: int, spread: float = 0.1, by_night: float = 0.1
) -> list[ComparedRun]:
    """Runs of robots of these true coverages, spread on the logit scale; each repeat in a night of its own."""
    rng = np.random.default_rng(seed)
    off = rng.normal(0, by_night, nights)
    runs = []
    for robot, percent in truths.items():
        missed = 1 - percent / 100
        for repeat in range(repeats):
            night = repeat % nights
            logit = np.log(missed / (1 - missed)) + off[night] + rng.normal(0, spread)
            runs.append(a_run(robot, 100 / (1 + np.exp(logit)), night=f"n{night}", repeat=repeat + 1))
    return runs


def nothing_shared(runs) -> list[dict[str, Share]]:
    return [{} for _ in runs]
