"""Do the stated intervals hold the truth? Many random runs whose truth is known, measured as a lab would.

    python -m tests.benchmarks.honesty --runs 240 --processes 2 --out docs

What the files state is nominal; what is photographed differs from it: walls, footprints, markers, bar height and tape
are each drawn from a rectangle of the stated tolerance. Truth is that of the room, the bar and the camera as they are.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from math import dist
from multiprocessing import get_context
from pathlib import Path
from typing import Literal

import cv2
import numpy as np
import shapely
from matplotlib.figure import Figure
from numpy.typing import NDArray
from scipy.special import ndtri
from shapely import box

from coverage_lab.camera.model import Camera
from coverage_lab.files.lens import write_lens
from coverage_lab.files.room import write_room
from coverage_lab.job import Bar, CameraSetup, Night, Quantity, Robot, Run, Settings
from coverage_lab.measures.budget import Nodes, Sources
from coverage_lab.measures.edges import measure_edges
from coverage_lab.measures.pockets import find_pockets
from coverage_lab.measures.values import Pocket
from coverage_lab.room.bounce import bounce_path
from coverage_lab.room.grid import FloorGrid
from coverage_lab.room.plan import FloorPlan, floor_plan
from coverage_lab.room.room import Marker, Obstacle, Room
from coverage_lab.run import MeasuredRun, measure
from coverage_lab.setting import MARGIN_M, set_up
from coverage_lab.show.chart_style import LINE, plain, unit
from coverage_lab.show.palette import CAUTION, INK, PAPER, SOFT, Colour
from coverage_lab.simulate.drives import Motion, follow, lanes, laps, start_near, timed
from coverage_lab.simulate.exposure import Exposure, expose
from coverage_lab.simulate.reference import reference_frame
from coverage_lab.simulate.rooms import DICTIONARY, where_it_fits
from coverage_lab.simulate.routes import Routes
from coverage_lab.simulate.scene import look_down
from coverage_lab.simulate.sensor import Sensor
from coverage_lab.simulate.trail import Optics
from coverage_lab.simulate.truth import swept_area
from tests.benchmarks.simulated import camera_over, write_frame

FloatArray = NDArray[np.float64]
Measurand = Literal["coverage", "reachable share", "edge mean", "pocket area", "pocket diameter"]

UNIT: dict[Measurand, str] = {
    "coverage": "points",
    "reachable share": "points",
    "edge mean": "mm",
    "pocket area": "cm²",
    "pocket diameter": "mm",
}
# Told apart in grey and by the colour-blind too.
DRAWN: dict[Measurand, tuple[Colour, str]] = {
    "coverage": (LINE, "-"),
    "reachable share": (LINE, ":"),
    "edge mean": (INK, "--"),
    "pocket area": (CAUTION, "-"),
    "pocket diameter": (CAUTION, ":"),
}
TAPE_TOLERANCE_M = 0.010
SEED = 2031
SAME_POCKET_M = 0.04  # between the poles of one pocket, measured and true
BUSY_POCKET_M = 0.05  # smaller true pockets may be listed or not


@dataclass(frozen=True)
class Check:
    """One number that was measured, its uncertainty and the truth, in the measurand's unit."""

    run: int
    of: Measurand
    value: float
    u: float
    low: float
    high: float
    true: float

    @property
    def holds(self) -> bool:
        return self.low <= self.true <= self.high

    @property
    def normalised(self) -> float:
        return (self.value - self.true) / self.u

    @classmethod
    def of_quantity(cls, run: int, of: Measurand, measured: Quantity, true: float) -> Check:
        return cls(run, of, measured.value, measured.u, *measured.interval_95, true)


def check_run(number: int) -> tuple[Check, ...]:
    """Simulate and measure one random run; nothing where the run is refused."""
    cv2.setNumThreads(1)
    rng = np.random.default_rng([SEED, number])
    room = _room(rng)
    true_room = _as_it_stands(room, rng)
    robot = _robot(rng)
    true_robot = replace(
        robot, bar=replace(robot.bar, height_m=robot.bar.height_m + _off(robot.bar.height_tolerance_m, rng))
    )
    camera = camera_over(true_room.floor, rng.uniform(1.6, 2.8), float(rng.choice([0, 0, 0, 6, 12])), number)
    poses = _drive(true_room, true_robot, rng)
    with tempfile.TemporaryDirectory() as name:
        run, night = _photographed(Path(name), room, true_room, robot, true_robot, camera, poses, rng)
        measured = measure(run, set_up(night, [run]))
    return tuple(
        _checks(number, measured, robot, _true_plan(true_room, true_robot, camera), swept_area(poses, true_robot.bar))
    )


def _checks(
    number: int, measured: MeasuredRun, robot: Robot, plan: FloorPlan, swept: shapely.Geometry
) -> Iterable[Check]:
    found = measured.measures
    if found.coverage is None:
        return
    visible = plan.free.difference(plan.hidden)
    reachable = plan.reachable.difference(plan.hidden)
    yield Check.of_quantity(number, "coverage", found.coverage.percent, _percent(swept, visible))
    if found.coverage.percent_of_reachable is not None:
        yield Check.of_quantity(
            number, "reachable share", found.coverage.percent_of_reachable, _percent(swept, reachable)
        )
    share = plan.grid.weights(swept)
    edges = measure_edges(share, plan, body_diameter_m=robot.body_diameter_m, step_m=0.01, edge_u_m=0.0)
    for edge, true in zip(found.edges, edges, strict=True):
        # Around an obstacle the rays that meet its shadow are left out: not the same ones in both.
        if edge.bearing_deg is not None and edge.mean_mm is not None and true.mean_mm is not None:
            yield Check.of_quantity(number, "edge mean", edge.mean_mm, true.mean_mm.value)
    pockets = find_pockets(share, plan, smallest_m=0.03, body_diameter_m=robot.body_diameter_m, sources=_sure(plan))
    for pocket in pockets:
        twin = _twin(pocket, found.pockets)
        if twin is not None and pocket.diameter_mm.value > 1000 * BUSY_POCKET_M:
            yield Check.of_quantity(number, "pocket area", twin.area_cm2, pocket.area_cm2.value)
            yield Check.of_quantity(number, "pocket diameter", twin.diameter_mm, pocket.diameter_mm.value)


def _sure(plan: FloorPlan) -> Sources:
    return Sources(0.0, 0.0, np.zeros(plan.grid.shape, np.float32), Nodes.over(plan.room.floor), {})


def _twin(pocket: Pocket, others: Sequence[Pocket]) -> Pocket | None:
    """Return the measured pocket whose largest circle has the same centre."""
    near = [other for other in others if dist(other.pole_m, pocket.pole_m) < SAME_POCKET_M]
    return min(near, key=lambda other: dist(other.pole_m, pocket.pole_m), default=None)


def _percent(swept: shapely.Geometry, floor: shapely.Geometry) -> float:
    return 100 * float(swept.intersection(floor).area / floor.area)


def _off(tolerance_m: float, rng: np.random.Generator) -> float:
    return tolerance_m * float(rng.uniform(-1, 1))


def _room(rng: np.random.Generator) -> Room:
    """Return a small room as its file states it: up to three things that a robot can drive around, four markers."""
    width_m, depth_m = float(rng.uniform(1.7, 2.5)), float(rng.uniform(1.5, 2.0))
    floor = box(0, 0, width_m, depth_m)
    obstacles: list[Obstacle] = []
    for number in range(int(rng.integers(0, 4))):
        size = rng.uniform(0.03, 0.35, 2) if rng.random() < 0.7 else np.full(2, 0.04)
        x_m, y_m = rng.uniform(0.45, width_m - 0.45), rng.uniform(0.45, depth_m - 0.45)
        piece = shapely.affinity.rotate(box(x_m, y_m, x_m + size[0], y_m + size[1]), rng.uniform(0, 90))
        clear = [piece.distance(other.footprint) > 0.42 for other in obstacles]
        if floor.buffer(-0.42).contains(piece) and all(clear):
            obstacles.append(Obstacle(f"box {number}", piece, float(rng.uniform(0.15, 0.4))))
    places = [(0.25, 0.25), (width_m - 0.25, 0.25), (width_m - 0.25, depth_m - 0.25), (0.25, depth_m - 0.25)]
    markers = tuple(Marker(DICTIONARY, number, place, 0.13, 90.0 * number) for number, place in enumerate(places))
    return Room(floor, obstacles=tuple(obstacles), markers=markers, dock_m=(0.3, 0.3))


def _as_it_stands(room: Room, rng: np.random.Generator) -> Room:
    """Return the room within its tolerances: each wall moved, each footprint wider or narrower, each marker moved."""
    west, south, east, north = (edge + _off(room.floor_tolerance_m, rng) for edge in room.floor.bounds)
    obstacles = tuple(
        replace(thing, footprint=thing.footprint.buffer(_off(thing.tolerance_m, rng), join_style="mitre"))
        for thing in room.obstacles
    )
    markers = tuple(
        replace(
            marker,
            centre_m=(
                marker.centre_m[0] + _off(marker.tolerance_m, rng),
                marker.centre_m[1] + _off(marker.tolerance_m, rng),
            ),
        )
        for marker in room.markers
    )
    return replace(room, floor=box(west, south, east, north), obstacles=obstacles, markers=markers)


def _robot(rng: np.random.Generator) -> Robot:
    nozzle_m = float(rng.uniform(0.16, 0.24))
    lit_m = nozzle_m - 2 * float(rng.uniform(0, 0.004))
    count = int(rng.choice([0, *(round(lit_m / pitch) + 1 for pitch in (0.008, 0.012, 0.0165, 0.0165, 0.02))]))
    bar = Bar(nozzle_m, count, lit_m, float(rng.uniform(0.07, 0.11)), 0.002, float(rng.choice([0, 0, 0.03])))
    return Robot("dunlin", bar, float(rng.uniform(0.29, 0.34)), 0.12)


def _drive(room: Room, robot: Robot, rng: np.random.Generator) -> FloatArray:
    allowed = where_it_fits(room, robot)
    start = start_near(allowed, room.dock_m)
    motion = Motion(float(rng.uniform(0.2, 0.35)), float(rng.uniform(1.2, 2.2)))
    if rng.random() < 0.4:
        return timed(bounce_path(allowed, start, float(rng.uniform(20, 60)), rng), motion)
    spacing_m = robot.bar.nozzle_m * float(rng.uniform(0.75, 0.98))
    skipped = tuple(rng.integers(1, 7, int(rng.integers(0, 3))).tolist())
    plan = [
        lanes(
            allowed,
            spacing_m=spacing_m,
            heading_rad=float(rng.choice([0, np.pi / 2, 0.4])),
            skipped=skipped,
            jitter_rad=0.01,
            rng=rng,
        )
    ]
    if rng.random() < 0.6:
        plan.insert(0, laps(allowed))
    return timed(follow(Routes(allowed).join(np.concatenate([[start], *plan]))), motion)


def _photographed(
    folder: Path,
    room: Room,
    true_room: Room,
    robot: Robot,
    true_robot: Robot,
    camera: Camera,
    poses: FloatArray,
    rng: np.random.Generator,
) -> tuple[Run, Night]:
    """Write what a lab would have after the run: room, lens, reference frame and exposure."""
    scene = look_down(true_room, camera, rng)
    exposure = Exposure(
        level=float(np.exp(rng.uniform(np.log(0.08), np.log(3)))),
        optics=Optics(core_sigma_px=float(rng.uniform(0.6, 1.6)), halo_energy=float(rng.uniform(0, 0.025))),
        sensor=Sensor(str(rng.choice(["srgb", "srgb", "camera"]))),  # type: ignore[arg-type]
        led_spread=float(rng.uniform(0, 0.15)),
        glow=float(rng.uniform(0.2, 1.5)),
        leak=float(rng.uniform(0, 0.02)),
    )
    reference = write_frame(folder / "reference", reference_frame(scene, rng), 92)
    frame = write_frame(
        folder / "dunlin-1", expose(poses, true_robot.bar, scene, exposure, rng), int(rng.integers(80, 98))
    )
    write_room(room, folder / "room.geojson")
    lens = folder / "lens.json" if rng.random() < 0.7 else None
    if lens is not None:
        write_lens(camera.lens, lens)
    tape_m = float(camera.centre_m[2]) + _off(TAPE_TOLERANCE_M, rng)
    tape = CameraSetup(height_m=tape_m, height_tolerance_m=TAPE_TOLERANCE_M)
    night = Night(
        folder,
        "night",
        folder / "room.geojson",
        reference,
        None,
        lens,
        None,
        None,
        tape,
        Settings(),
        {robot.name: robot},
    )
    return Run("dunlin-1", "night/dunlin-1", robot.name, 1, "coverage", (frame,)), night


def _true_plan(room: Room, robot: Robot, camera: Camera) -> FloorPlan:
    return floor_plan(
        room,
        body_diameter_m=robot.body_diameter_m,
        body_height_m=robot.body_height_m,
        nozzle_m=robot.bar.nozzle_m,
        forward_m=robot.bar.forward_m,
        bar_height_m=robot.bar.height_m,
        camera_centre_m=tuple(camera.centre_m),
        seen=None,
        grid=FloorGrid.over(room.floor, Settings().cell_m, MARGIN_M),
    )


def check_runs(numbers: Sequence[int], processes: int) -> list[Check]:
    """Check many runs, each by its own seed."""
    if processes == 1:
        return [check for number in numbers for check in check_run(number)]
    with ProcessPoolExecutor(processes, mp_context=get_context("spawn")) as pool:
        return [check for checks in pool.map(check_run, numbers, chunksize=4) for check in checks]


def page(checks: Sequence[Check], runs: int) -> str:
    """Return the page that says how often intervals hold the truth."""
    measured = len({check.run for check in checks})
    lines = [
        "# Honesty of the intervals",
        "",
        f"{runs} random runs in small rooms, measured from the pictures as a lab would ({runs - measured} refused).",
        "The true walls, footprints, marker places, bar height and tape differ from the stated ones, each drawn from a",
        "rectangle of the stated tolerance. Written by `python -m tests.benchmarks.honesty --out docs`.",
        "",
        "A 95 % interval should hold the truth in 95 % of runs; from so many runs 92 to 98 % is as good as one can",
        "tell. One that always holds it is too wide: its full width is compared with the root mean square error.",
        "",
        "| measurand | number | holds the truth | mean error | rms error | mean width / rms error | rms of error / u |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    for of, some in _by_measurand(checks).items():
        error = np.array([check.value - check.true for check in some])
        width = np.array([check.high - check.low for check in some])
        ratio = np.array([check.normalised for check in some])
        rms = float(np.sqrt(np.mean(error**2)))
        lines.append(
            f"| {of}, {UNIT[of]} | {len(some)} | {100 * np.mean([check.holds for check in some]):.1f} % | "
            f"{error.mean():+.3f} | {rms:.3f} | {width.mean() / rms:.2f} | {np.sqrt(np.mean(ratio**2)):.2f} |"
        )
    return "\n".join([*lines, "", "![Calibration of the intervals](pictures/honesty.png)", ""])


def chart(checks: Sequence[Check]) -> Figure:
    """Draw how often intervals hold the truth against how often they should, and the errors of coverage over u."""
    figure = Figure(figsize=(8.5, 4), layout="constrained", facecolor=unit(PAPER))
    left, right = figure.subplots(1, 2)
    for axes in (left, right):
        plain(axes, "both")
    nominal = np.linspace(0.02, 0.995, 100)
    left.plot([0, 100], [0, 100], color=unit(SOFT), lw=1)
    for of, some in _by_measurand(checks).items():
        ratio = np.abs([check.normalised for check in some])
        colour, style = DRAWN[of]
        held = [100 * np.mean(ratio <= ndtri((1 + p) / 2)) for p in nominal]
        left.plot(100 * nominal, held, color=unit(colour), ls=style, label=of)
    left.axvline(95, color=unit(SOFT), lw=0.8, ls=":")
    left.set(xlabel="stated level of the interval, %", ylabel="intervals that hold the truth, %")
    left.legend(frameon=False, fontsize=8)
    some = _by_measurand(checks)["coverage"]
    u, errors = [check.u for check in some], [check.value - check.true for check in some]
    right.plot(u, errors, "o", ms=3, mfc="none", color=unit(LINE))
    for sign in (-1, 1):
        right.plot([0, max(u)], [0, sign * ndtri(0.975) * max(u)], color=unit(SOFT), lw=1)
    right.set(xlabel="standard uncertainty of coverage, points", ylabel="coverage measured less true, points")
    return figure


def _by_measurand(checks: Sequence[Check]) -> dict[Measurand, list[Check]]:
    return {of: [check for check in checks if check.of == of] for of in UNIT if any(check.of == of for check in checks)}


def main() -> None:
    """Simulate, measure, and write the page and its plot."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--out", type=Path, required=True, help="folder of the documents")
    options.add_argument("--runs", type=int, default=240)
    options.add_argument("--processes", type=int, default=1)
    chosen = options.parse_args()
    checks = check_runs(range(chosen.runs), chosen.processes)
    (chosen.out / "pictures").mkdir(parents=True, exist_ok=True)
    (chosen.out / "honesty.md").write_text(page(checks, chosen.runs), encoding="utf-8")
    chart(checks).savefig(chosen.out / "pictures" / "honesty.png", dpi=110)


if __name__ == "__main__":
    main()
