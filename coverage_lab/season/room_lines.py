"""What a check says of markers, camera and picture: a line each, with value, limit, and whether that is good enough."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np
from numpy.typing import ArrayLike

from coverage_lab.camera.doubt import independent_steps
from coverage_lab.camera.fit import TAPE_OFF, FittedCamera, tape_tolerance_m
from coverage_lab.camera.model import Camera, CameraFit
from coverage_lab.camera.sharpness import Sharpness, usual_blur_px
from coverage_lab.job import CameraSetup, Quality
from coverage_lab.measures.uncertainty import combined, rectangular_u
from coverage_lab.remarks import MUCH_HIDDEN
from coverage_lab.room.hiding import OUTSIDE_PICTURE
from coverage_lab.room.plan import FloorPlan
from coverage_lab.room.room import Area, Room
from coverage_lab.show.room_check import WORST_FIRST, CheckLine, State
from coverage_lab.trails.edge import USUAL_BLUR_PX

MOST_TILT_DEG = 10.0  # common practice, no source: beyond, one side of the floor is seen much coarser than the other
_STEP_M = 0.005
_STATES: dict[str, State] = {"note": "go", "warning": "look", "refused": "no-go"}


def state_of(remarks: Sequence[Quality]) -> State:
    """Return how bad the worst of some remarks is."""
    return min((_STATES[remark.level] for remark in remarks), key=WORST_FIRST.index, default="go")


def marker_lines(fitted: FittedCamera, room: Room) -> Iterator[CheckLine]:
    """Yield which markers were found, and how well they fit. Before the night, a marker amiss is put right."""
    fit, of_code = fitted.fit, _by_code(fitted.quality)
    seen = len([one for one in (*(r.name for r in fit.residuals), *fit.dropped) if not one.startswith("picked")])
    missing = [one for one in of_code.get("marker-missing", ()) if one.level != "note"]
    mend = " ".join(f"{one.text}." for one in missing)
    yield CheckLine("markers found", f"{seen} of {len(room.markers)}", "all", "no-go" if missing else "go", mend)
    moved = [one for one in of_code.get("marker-moved", ()) if one.level != "note"]
    worst = max(fit.residuals, key=lambda one: one.rms_mm)
    yield CheckLine(
        "marker residuals",
        f"{fit.rms_px:.2f} px, {fit.rms_mm:.1f} mm; worst {worst.name}: {worst.rms_px:.2f} px, {worst.rms_mm:.1f} mm",
        "all where the room file says",
        "no-go" if moved else "go",
        " ".join(f"{one.text}. Measure it again." for one in moved),
    )


def _by_code(quality: Sequence[Quality]) -> Mapping[str, tuple[Quality, ...]]:
    return {code: tuple(one for one in quality if one.code == code) for code in {one.code for one in quality}}


def height_line(fit: CameraFit, setup: CameraSetup, untaped: CameraFit | None) -> CheckLine:
    """Return the camera's height against the tape; `untaped` is the fit without it, None where that tells nothing."""
    found_m, u_m = _height_m(untaped or fit)
    if setup.height_m is None:
        mend = "Measure it, floor to lens, as camera.height_mm." if untaped is None else ""
        value = f"{1000 * found_m:.0f} mm by the markers (u {1000 * u_m:.0f} mm); no tape"
        return CheckLine("camera height", value, "", "look" if mend else "go", mend)
    tolerance_m = tape_tolerance_m(setup.height_tolerance_m)
    tape = f"tape {1000 * setup.height_m:.0f} ± {1000 * tolerance_m:g} mm"
    if untaped is None:
        mend = "Nothing but the tape tells the height: measure it twice, or calibrate the lens (coverage-lab lens)."
        return CheckLine("camera height", f"{1000 * found_m:.0f} mm", f"{tape}, not checked", "look", mend)
    allowed_m = float(np.sqrt(TAPE_OFF)) * combined([u_m, rectangular_u(tolerance_m)])
    off_m = setup.height_m - found_m
    good = abs(off_m) <= allowed_m
    mend = "" if good else "Measure it again, floor to lens; if it is right, look for a wrong side_m or lens file."
    value = f"{1000 * found_m:.0f} mm by the markers (u {1000 * u_m:.0f} mm), tape {1000 * off_m:+.0f} mm"
    value = value.replace("-", "−")
    limit = f"tape within ± {1000 * allowed_m:.0f} mm"
    return CheckLine("camera height", value, limit, "go" if good else "no-go", mend)


def _height_m(fit: CameraFit) -> tuple[float, float]:
    """Return the camera's height and its standard uncertainty."""
    height_m = float(fit.camera.centre_m[2])
    steps = [
        float(fit.with_parameters(fit.parameters + step).centre_m[2]) - height_m
        for step in independent_steps(fit.covariance)
    ]
    return height_m, combined(steps)


def tilt_line(camera: Camera) -> CheckLine:
    """Return how far the camera looks from straight down."""
    tilt_deg = float(np.degrees(np.arccos(np.clip(-camera.rotation[2, 2], -1, 1))))
    good = tilt_deg <= MOST_TILT_DEG
    mend = "" if good else "Point it straight down: the far side of the floor is seen coarser, and more is hidden."
    return CheckLine("tilt", f"{tilt_deg:.1f}°", f"≤ {MOST_TILT_DEG:g}°", "go" if good else "look", mend)


def scale_line(camera: Camera, plan: FloorPlan, bar_height_m: float) -> CheckLine:
    """Return how much floor a pixel shows in the middle and in the corners, at floor and bar height."""
    parts = []
    for name, height_m in (("floor", 0.0), ("bar", bar_height_m)):
        middle, *corners = pixel_sizes_m(camera, plan, height_m)
        low, high = 1000 * min(corners), 1000 * max(corners)
        parts.append(f"{name}: {1000 * middle:.2f} middle, {low:.2f} to {high:.2f} corners")
    return CheckLine("mm per pixel", "; ".join(parts), "", "go")


def pixel_sizes_m(camera: Camera, plan: FloorPlan, height_m: float) -> tuple[float, ...]:
    """Return how much of the plane at `height_m` a pixel shows: in the middle of the floor, then in its corners.

    Of the two directions the coarser one counts.
    """
    middle = plan.room.floor.minimum_rotated_rectangle.centroid
    places = [(middle.x, middle.y), *(xy[:2] for xy in plan.room.floor.exterior.coords[:-1])]
    return tuple(_pixel_m(camera, place, height_m) for place in places)


def _pixel_m(camera: Camera, place_m: ArrayLike, height_m: float) -> float:
    x_m, y_m = np.asarray(place_m, dtype=np.float64)
    points = [[x_m, y_m, height_m], [x_m + _STEP_M, y_m, height_m], [x_m, y_m + _STEP_M, height_m]]
    at, east, north = camera.project(points)
    per_m = np.column_stack([east - at, north - at]) / _STEP_M
    return float(1 / np.linalg.svd(per_m, compute_uv=False).min())


def sharpness_line(measured: Sequence[Sharpness]) -> CheckLine:
    """Return how blurred the lights-on frame is."""
    usual = usual_blur_px(measured)
    most = USUAL_BLUR_PX[1]
    limit = f"≤ {most:g} px"
    if usual is None:
        mend = "No marker tells: they are too small, too blurred, or not there. Focus, or print them larger."
        return CheckLine("blur of the reference", "not known", limit, "look", mend)
    worst = max(measured, key=lambda one: one.blur_px)
    value = (
        f"{usual:.2f} px; worst {worst.name}: {worst.blur_px:.2f} px, contrast halves at {worst.mtf50:.2f} cycles/px"
    )
    good = worst.blur_px <= most
    mend = "" if good else "Focus on the floor, release without touching the camera, and shoot the reference again."
    return CheckLine("blur of the reference", value, limit, "go" if good else "no-go", mend)


def hidden_line(plan: FloorPlan, hidden: Mapping[str, Area]) -> CheckLine:
    """Return how much free floor the camera does not see at bar height."""
    percent = 100 * plan.hidden.area / plan.free.area if plan.free.area else 0.0
    outside_m2 = hidden[OUTSIDE_PICTURE].area if OUTSIDE_PICTURE in hidden else 0.0
    mend = ""
    if percent >= MUCH_HIDDEN:
        mend = "Hang the camera higher or over the middle of the floor, or use lower furniture."
    if outside_m2 > 0:
        mend = f"{outside_m2:.2f} m² lie outside the picture: hang the camera higher, or use a wider lens."
    value = f"{plan.hidden.area:.2f} m², {percent:.1f} % of the free floor"
    limit = f"< {MUCH_HIDDEN:g} %, none outside the picture"
    return CheckLine("hidden floor", value, limit, "look" if mend else "go", mend)
