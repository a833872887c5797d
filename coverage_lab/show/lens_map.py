"""What a lens calibration rests on, at a glance: where in the picture the board was seen, and what is left over."""

from __future__ import annotations

import cv2
import numpy as np

from coverage_lab.camera.calibrate import BoardView, Calibration, empty_corners, lens_values
from coverage_lab.show.palette import INK, MISSED, RULE, SWEPT, Picture
from coverage_lab.show.rows import blank, heading, line, meter, stacked, triple
from coverage_lab.show.text import LABEL, SMALL, write

_MAP_PX, _PANEL_PX, _GAP_PX = 860, 420, 24
_LISTED = 24  # pictures
_ARROW = 0.03  # of the map's width: how long the usual miss is drawn
_CELLS = 12  # along the map, of the net that shows the distortion


def lens_map(found: Calibration, views: list[BoardView]) -> Picture:
    """Return the picture (rows, cols, 3): a map of the board's corners in the picture, and the numbers beside it."""
    sheet = stacked([heading("Where the board was seen", _MAP_PX), _map(found, views), *_legend(found, views)])
    panel = stacked([*_numbers(found), *_pictures(found)])
    height = max(len(sheet), len(panel)) + 2 * _GAP_PX
    picture = blank(height, _MAP_PX + _PANEL_PX + 3 * _GAP_PX)
    picture[_GAP_PX : _GAP_PX + len(sheet), _GAP_PX : _GAP_PX + _MAP_PX] = sheet
    right = _MAP_PX + 2 * _GAP_PX
    picture[_GAP_PX : _GAP_PX + len(panel), right : right + _PANEL_PX] = panel
    return picture


def _map(found: Calibration, views: list[BoardView]) -> Picture:
    width, height = found.lens.image_size
    scale = _MAP_PX / width
    sheet = blank(round(height * scale), _MAP_PX, (255, 255, 255))
    _net(sheet, found, scale)
    arrow = _ARROW * _MAP_PX / max(found.rms_px, 1e-9)
    for view in found.views:
        for pixel, miss in zip(view.pixels, found.misses_px[view.name], strict=True):
            cv2.line(sheet, _at(pixel * scale), _at(pixel * scale + miss * arrow), SWEPT.unlit, 1, cv2.LINE_AA)
            _dot(sheet, _at(pixel * scale), True)
    for view in views:
        for pixel in view.pixels if view.name in found.left_out else ():
            _dot(sheet, _at(pixel * scale), False)
    cv2.rectangle(sheet, (0, 0), (sheet.shape[1] - 1, len(sheet) - 1), INK, 1)
    return sheet


def _net(sheet: Picture, found: Calibration, scale: float) -> None:
    """Draw straight lines of the room as the lens bends them."""
    width, height = found.lens.image_size
    rim = found.lens.rays(
        np.array([[0.0, height / 2], [width - 1.0, height / 2], [width / 2, 0.0], [width / 2, height]])
    )
    west, east, north, south = rim[0, 0], rim[1, 0], rim[2, 1], rim[3, 1]
    step = (east - west) / _CELLS
    for along in np.arange(west - 2 * step, east + 2.5 * step, step):
        points = np.linspace(north * 1.4, south * 1.4, 60)
        _curve(sheet, found, np.column_stack([np.full(60, along), points]), scale)
    for along in np.arange(north - 2 * step, south + 2.5 * step, step):
        points = np.linspace(west * 1.4, east * 1.4, 60)
        _curve(sheet, found, np.column_stack([points, np.full(60, along)]), scale)


def _curve(sheet: Picture, found: Calibration, rays: np.ndarray, scale: float) -> None:
    pixels = found.lens.pixels(np.column_stack([rays, np.ones(len(rays))])) * scale
    inside = np.all(np.abs(pixels) < 4 * _MAP_PX, axis=1)
    cv2.polylines(sheet, [np.rint(pixels[inside]).astype(np.int32)], False, RULE, 1, cv2.LINE_AA)


def _dot(sheet: Picture, at: tuple[int, int], used: bool) -> None:
    if used:
        cv2.circle(sheet, at, 2, SWEPT.unlit, -1, cv2.LINE_AA)
    else:  # told apart by form, too
        cv2.drawMarker(sheet, at, MISSED.unlit, cv2.MARKER_TILTED_CROSS, 7, 2, cv2.LINE_AA)


def _at(point: np.ndarray) -> tuple[int, int]:
    return round(float(point[0])), round(float(point[1]))


def _legend(found: Calibration, views: list[BoardView]) -> list[Picture]:
    row = blank(26, _MAP_PX)
    _dot(row, (8, 14), True)
    cv2.line(row, (8, 14), (8 + round(_ARROW * _MAP_PX), 14), SWEPT.unlit, 1, cv2.LINE_AA)
    wide = write(row, f"corner and how far the model misses it (this long: {found.rms_px:.2f} px)", (44, 19), LABEL)
    _dot(row, (44 + wide + 30, 14), False)
    write(row, "corner of a picture left out", (44 + wide + 44, 19), LABEL)
    words = "grey net: straight lines as the lens bends them"
    empty = empty_corners(np.concatenate([view.pixels for view in views]), found.lens.image_size)
    return [row, line("; ".join([words, *(f"nothing seen in the {name}" for name in empty)]), _MAP_PX, SMALL)]


def _numbers(found: Calibration) -> list[Picture]:
    rows = [heading("Lens", _PANEL_PX, "value and standard uncertainty")]
    rows.append(triple("model", found.lens.model, "", _PANEL_PX))
    for name, value in lens_values(found.lens).items():
        unit, places = (" px", 2) if name in ("fx", "fy", "cx", "cy") else ("", 5)
        rows.append(triple(name, f"{value:.{places}f}{unit}", f"± {found.u[name]:.{places}f}{unit}", _PANEL_PX))
    rows.append(triple("root mean square miss", f"{found.rms_px:.3f} px", "", _PANEL_PX))
    for model, rms_px in found.model_rms_px.items():
        if model != found.lens.model:
            rows.append(triple(f"with the model {model}", f"{rms_px:.3f} px", "", _PANEL_PX))
    return rows


def _pictures(found: Calibration) -> list[Picture]:
    residuals = found.view_rms_px | found.left_out
    largest = max(residuals.values())
    rows = [heading("Pictures", _PANEL_PX, "root mean square miss, px")]
    for name, rms_px in list(residuals.items())[:_LISTED]:
        note = "left out" if name in found.left_out else ""
        rows.append(meter(name, f"{rms_px:.3f}", rms_px / largest, note, _PANEL_PX))
    if len(residuals) > _LISTED:
        rows.append(line(f"and {len(residuals) - _LISTED} more", _PANEL_PX, SMALL))
    return rows
