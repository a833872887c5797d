"""How far coverage is off under many conditions: one changed at a time, then all at random.

    python -m tests.benchmarks.conditions --out docs

Camera, room and robot are known exactly: what is left is what the light itself does.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, fields, replace
from functools import partial
from pathlib import Path

import cv2
import numpy as np
from matplotlib.figure import Figure
from scipy.stats import qmc

from coverage_lab.measures.uncertainty import coverage_factor_95
from coverage_lab.simulate.sensor import Transfer
from tests.benchmarks.simulated import Condition, outcome

BASE = Condition()
RANDOM_RUNS = 64  # a power of two, for Sobol
DARK_ROOM_GLOW = 0.1  # above ten times full scale in one pass, white walls burn the floor out
TRANSFERS: tuple[Transfer, ...] = ("srgb", "camera", "linear")

# What is changed alone, each with both ways of driving.
ALONE: dict[str, tuple[dict[str, object], ...]] = {
    "exposure": tuple({"level": level} for level in (0.05, 0.1, 0.2, 0.9, 2.0, 5.0)),
    "exposure, dark room": tuple({"level": level, "glow": DARK_ROOM_GLOW} for level in (5.0, 10.0, 20.0, 50.0)),
    "bloom core": tuple({"core_px": core} for core in (0.5, 1.5, 2.0, 3.0)),
    "halo": tuple({"halo_percent": halo} for halo in (0.0, 2.5, 4.0)),
    "LED pitch (0 = tube)": tuple({"pitch_mm": pitch} for pitch in (6.0, 8.0, 10.0, 20.0, 25.0, 0.0)),
    "unequal LEDs": tuple({"led_spread": spread} for spread in (0.1, 0.2, 0.3)),
    "picture size": tuple({"mm_per_px": size} for size in (0.8, 1.2, 3.0, 4.0)),
    "JPEG quality": tuple({"jpeg_quality": quality} for quality in (70, 80, 98)),
    "transfer curve": ({"transfer": "camera"}, {"transfer": "linear"}),
    "light leak": tuple({"leak": leak} for leak in (0.01, 0.03, 0.1)),
    "stray light of the trail": tuple({"glow": glow} for glow in (0.0, 3.0, 6.0)),
    "oblique camera": tuple({"oblique_deg": angle} for angle in (6.0, 12.0)),
}


@dataclass(frozen=True)
class Row:
    """One condition and how its measure came out; None where the run was refused."""

    group: str
    condition: Condition
    true_percent: float
    error: float | None
    u: float | None
    comb: float | None
    refused_for: str

    @property
    def label(self) -> str:
        """What differs from the baseline."""
        parts = [
            f"{field.name.replace('_', ' ')} {getattr(self.condition, field.name)}"
            for field in fields(Condition)
            if getattr(self.condition, field.name) != getattr(BASE, field.name) and field.name not in ("manner", "seed")
        ]
        return ", ".join(parts) or "baseline"

    @property
    def allowed(self) -> float:
        return 0.3 if self.condition.level <= 10 else 0.6


def one_at_a_time() -> list[tuple[str, Condition]]:
    """Return the baseline and each change of it, with lanes and with bouncing."""
    changes = [("baseline", {}), *((group, change) for group, each in ALONE.items() for change in each)]
    return [
        (group, replace(BASE, manner=manner, **change))  # type: ignore[arg-type]
        for group, change in changes
        for manner in ("lanes", "bounce")
    ]


def lane_gaps() -> list[tuple[str, Condition]]:
    """Return lanes that leave gaps, on bars whose comb is resolved and on others."""
    bars = (
        (16.5, 2.0, 0.9),
        (16.5, 1.2, 0.9),
        (10.0, 2.0, 0.9),
        (10.0, 1.2, 0.9),
        (6.0, 2.0, 0.9),
        (16.5, 2.0, 3.0),
        (0.0, 2.0, 0.9),
    )
    return [
        ("lane gaps", Condition("gaps", gap_mm=gap, pitch_mm=pitch, mm_per_px=size, core_px=core))
        for pitch, size, core in bars
        for gap in (5.0, 8.0, 12.0)
    ]


def at_random(count: int) -> list[tuple[str, Condition]]:
    """Return conditions that fill the whole range evenly (Sobol's sequence; exposure in steps of equal ratio)."""
    points = qmc.Sobol(11, seed=5).random(count)
    return [("at random", _anywhere(point.tolist(), number)) for number, point in enumerate(points)]


def _anywhere(at: Sequence[float], number: int) -> Condition:
    def between(place: int, low: float, high: float) -> float:
        return low + at[place] * (high - low)

    return Condition(
        manner="bounce" if number % 2 else "lanes",
        level=float(np.exp(between(0, np.log(0.05), np.log(10)))),
        core_px=between(1, 0.5, 2.5),
        halo_percent=between(2, 0, 4),
        pitch_mm=0.0 if at[3] < 0.15 else between(3, 4, 25),
        led_spread=between(4, 0, 0.3),
        mm_per_px=round(between(5, 1.0, 4.0), 1),
        jpeg_quality=round(between(6, 70, 98)),
        transfer=TRANSFERS[min(int(3 * at[7]), 2)],
        leak=between(8, 0, 0.05),
        glow=between(9, 0.05, 0.3),
        oblique_deg=float(round(between(10, 0, 2)) * 6),
        seed=1 + number % 3,
    )


def row_of(case: tuple[str, Condition], folder: Path) -> Row:
    """Simulate and measure one condition."""
    cv2.setNumThreads(1)
    group, condition = case
    with tempfile.TemporaryDirectory(dir=folder) as name:
        found = outcome(condition, Path(name))
    coverage = found.run.measures.coverage
    if coverage is None:
        codes = [remark.code for remark in found.run.measures.quality if remark.level == "refused"]
        return Row(group, condition, found.true_percent, None, None, None, ", ".join(codes))
    comb = coverage.contributions["comb"].points
    return Row(group, condition, found.true_percent, found.error, coverage.percent.u, comb, "")


def rows_of(cases: Iterable[tuple[str, Condition]], processes: int) -> list[Row]:
    """Simulate and measure all, in order."""
    with tempfile.TemporaryDirectory() as name, ProcessPoolExecutor(processes) as pool:
        return list(pool.map(partial(row_of, folder=Path(name)), cases, chunksize=2))


def page(rows: Sequence[Row]) -> str:
    """Return the page that shows all rows."""
    bright = [row for row in rows if row.condition.level > 10]
    gaps = [row for row in rows if row.group == "lane gaps"]
    random = [row for row in rows if row.group == "at random"]
    alone = [row for row in rows if row not in bright + gaps + random]
    lines = [
        "# Conditions",
        "",
        "How far coverage is off, in points, under conditions of light, lens, bar and picture: simulated runs in a",
        "small furnished room, with camera, room and robot known exactly. Written by",
        "`python -m tests.benchmarks.conditions --out docs`.",
        "",
        f"- One thing changed at a time, up to ten times full scale in one pass: {_summary(alone)}.",
        f"- All at random in the same ranges: {_summary(random)}.",
        f"- Twenty and fifty times full scale, in a dark room: {_summary(bright)}. (With white walls",
        "  the floor itself is burnt out by then, and the run is refused.)",
        f"- Lanes with gaps: {_summary(gaps)}.",
        "",
        "![Error of coverage by condition](pictures/conditions.png)",
        "",
    ]
    for group in dict.fromkeys(row.group for row in rows):
        lines += [f"## {group[0].upper()}{group[1:]}", "", *_table([row for row in rows if row.group == group]), ""]
    return "\n".join(lines)


def _summary(rows: Sequence[Row]) -> str:
    measured = [row for row in rows if row.error is not None]
    errors = np.array([row.error for row in measured])
    if not measured:
        return f"all {len(rows)} refused"
    outside = [row for row in measured if abs(row.error) > row.allowed]
    unsaid = sum(abs(row.error) > coverage_factor_95() * row.u for row in outside)
    return (
        f"{len(rows)} runs, {len(rows) - len(measured)} refused; root mean square {np.sqrt(np.mean(errors**2)):.2f}, "
        f"largest {np.abs(errors).max():.2f}; {len(outside)} outside ± {rows[0].allowed}, {unsaid} of these outside "
        "their own 95 % interval too"
    )


def _table(rows: Sequence[Row]) -> list[str]:
    lines = ["| condition | drive | true % | error | u | of it comb |", "| --- | --- | --- | --- | --- | --- |"]
    for row in rows:
        start = f"| {_short(row)} | {row.condition.manner} | {row.true_percent:.2f} |"
        if row.error is None:
            lines.append(f"{start} refused: {row.refused_for} | | |")
        else:
            mark = "**" if abs(row.error) > row.allowed else ""
            lines.append(f"{start} {mark}{row.error:+.2f}{mark} | {row.u:.2f} | {row.comb:.2f} |")
    return lines


def _short(row: Row) -> str:
    if row.group != "at random":
        return row.label
    at = row.condition
    bar = f"pitch {at.pitch_mm:.0f} mm" if at.pitch_mm else "tube"
    lens = f"core {at.core_px:.1f} px, halo {at.halo_percent:.1f} %, {at.mm_per_px} mm/px, {at.oblique_deg:.0f}°"
    picture = f"JPEG {at.jpeg_quality}, {at.transfer}, leak {at.leak:.2f}"
    return f"level {at.level:.2f}, {bar}, LEDs ± {at.led_spread:.2f}, {lens}, {picture}"


def chart(rows: Sequence[Row]) -> Figure:
    """Draw each run's error by its group, on a scale that shows small and large."""
    groups = list(dict.fromkeys(row.group for row in rows))[::-1]
    figure = Figure(figsize=(8, 0.34 * len(groups) + 1.4), layout="constrained")
    axes = figure.add_subplot()
    axes.axvspan(-0.3, 0.3, color="0.92", zorder=0)
    axes.axvline(0, color="0.6", lw=0.8)
    for manner, marker in (("lanes", "o"), ("bounce", "^"), ("gaps", "s")):
        some = [row for row in rows if row.condition.manner == manner]
        shown = [row for row in some if row.error is not None]
        axes.plot(
            [row.error for row in shown],
            [groups.index(row.group) for row in shown],
            marker,
            ms=4,
            mfc="none",
            label=manner,
        )
        refused = [groups.index(row.group) for row in some if row.error is None]
        axes.plot(np.full(len(refused), 3.0), refused, "x", color="crimson", ms=5)
    axes.set_xscale("symlog", linthresh=0.3, linscale=2)
    axes.set_xlim(-4, 4)
    axes.set_xticks(
        [-3, -1, -0.3, -0.1, 0, 0.1, 0.3, 1, 3], ["−3", "−1", "−0.3", "−0.1", "0", "0.1", "0.3", "1", "refused"]
    )
    axes.set_yticks(range(len(groups)), groups)
    axes.set_xlabel("coverage measured less true, points")
    axes.legend(frameon=False, ncols=3, loc="lower left", bbox_to_anchor=(0, 1))
    return figure


def main() -> None:
    """Simulate, measure, and write the page and its chart."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--out", type=Path, required=True, help="folder of the documents")
    options.add_argument("--processes", type=int, default=1)
    chosen = options.parse_args()
    rows = rows_of([*one_at_a_time(), *lane_gaps(), *at_random(RANDOM_RUNS)], chosen.processes)
    (chosen.out / "pictures").mkdir(parents=True, exist_ok=True)
    (chosen.out / "conditions.md").write_text(page(rows), encoding="utf-8")
    chart(rows).savefig(chosen.out / "pictures" / "conditions.png", dpi=110)


if __name__ == "__main__":
    main()
