"""Draw what the uncertainty of the sample night's coverage is made of.

Run from the top of the repository: `python -m tests.benchmarks.budget docs/pictures/budget.png`.
"""

from __future__ import annotations

import json
import shutil
import sys
import tempfile
from pathlib import Path

from matplotlib.figure import Figure

from coverage_lab.season.batch import measure_all
from coverage_lab.season.jobs import find_jobs
from coverage_lab.season.wanted import look_through

SAMPLE = Path(__file__).parents[2] / "sample_frames"
# Okabe and Ito's colours (Color Universal Design, 2008), told apart with any colour vision; by what shares a source.
COLOURS = {"run": "#0072B2", "robot": "#E69F00", "night": "#009E73", "room": "#999999"}
HATCHES = {"run": "", "robot": "//", "night": "..", "room": "xx"}


def budgets() -> dict[str, dict[str, dict[str, object]]]:
    """Measure the sample night afresh; return contributions by run."""
    with tempfile.TemporaryDirectory() as folder:
        season = Path(folder) / "season"
        shutil.copytree(SAMPLE, season, ignore=shutil.ignore_patterns("results"))
        measure_all(look_through(find_jobs([season])), lambda outcome: None)
        found = sorted(season.glob("*/results/*/measures.json"))
        return {path.parent.name: json.loads(path.read_text())["coverage"] for path in found}


def draw(runs: dict[str, dict[str, dict[str, object]]]) -> Figure:
    """Bars of standard uncertainty in points, one panel per run, the largest first."""
    figure = Figure(figsize=(9, 2.9), layout="constrained")
    panels = figure.subplots(1, len(runs), sharex=True)
    for panel, (name, coverage) in zip(panels, runs.items(), strict=True):
        parts = sorted(coverage["contributions"].items(), key=lambda one: one[1]["points"])
        for at, (_, part) in enumerate(parts):
            kind = part["shared_by"]
            panel.barh(at, part["points"], color=COLOURS[kind], hatch=HATCHES[kind], edgecolor="white", linewidth=0)
            panel.text(part["points"], at, f" {part['points']:.3f}", va="center", fontsize=7)
        panel.set_yticks(range(len(parts)), [source for source, _ in parts], fontsize=8)
        percent = coverage["percent"]
        panel.set_title(f"{name}: {percent['value']:.2f} %, u = {percent['u']:.2f}", fontsize=9, loc="left")
        panel.spines[["top", "right"]].set_visible(False)
        panel.tick_params(axis="x", labelsize=8)
        panel.margins(x=0.18)
    figure.supxlabel("standard uncertainty, percentage points", fontsize=8)
    handles = [panels[0].barh(0, 0, color=COLOURS[kind], hatch=HATCHES[kind], edgecolor="white") for kind in COLOURS]
    labels = [f"shared by the {kind}" for kind in COLOURS]
    figure.legend(handles, labels, loc="outside upper center", ncols=4, fontsize=8, frameon=False)
    return figure


if __name__ == "__main__":
    draw(budgets()).savefig(sys.argv[1], dpi=150, metadata={"Software": None})
