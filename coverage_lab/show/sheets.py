"""Sheets to print: floor markers and the calibration board, true to scale, as vectors."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas

from coverage_lab.camera.board import COLUMNS, MARKER_SHARE, ROWS, board_marker_ids, charuco_board, marker_modules
from coverage_lab.errors import BadInput, Problem

# ISO 216 and ANSI/ASME Y14.1, portrait: width and height in mm.
PAPERS_MM = {"a4": (210.0, 297.0), "a3": (297.0, 420.0), "letter": (215.9, 279.4)}
CHECK_BAR_MM = 100.0
BORDER_MM = 8.0  # that no printer reaches
_TEXT_MM = 26.0  # above and below a marker: its name, the arrow and the bar
_KEPT_MM = 19.0  # of it, what stays on a marker that is cut out
_LINE_MM = 0.25


@dataclass(frozen=True, slots=True)
class MarkerSheet:
    """One marker to be printed."""

    dictionary_name: str
    dictionary: cv2.aruco.Dictionary
    number: int
    side_mm: float  # of its black square

    @property
    def margin_mm(self) -> float:
        """The white margin that a detector needs around it: one module."""
        return self.side_mm / (self.dictionary.markerSize + 2)


def chosen_ids(words: str, count: int) -> list[int]:
    """Return the marker numbers that `words` names, as "0-3" or "0,2,7"; the dictionary has `count`.

    Raises BadInput.
    """
    numbers: list[int] = []
    for part in words.split(","):
        first, dash, last = part.strip().partition("-")
        if not first.isdecimal() or (dash and not last.isdecimal()):
            raise BadInput(Problem(None, "--ids", f"{part.strip()!r} is no number or range", "Write 0-3 or 0,2,7"))
        numbers += range(int(first), int(last or first) + 1)
    if not numbers or max(numbers) >= count:
        wrong = f"{words!r} names no marker of the {count} in the dictionary (0 to {count - 1})"
        raise BadInput(Problem(None, "--ids", wrong, "Choose others, lowest first"))
    return sorted(set(numbers))


def check_fit(marker: MarkerSheet, paper: str, printed_bar_mm: float = CHECK_BAR_MM) -> None:
    """Refuse a marker that is too large for the paper. Raises BadInput."""
    width, height = PAPERS_MM[paper]
    room_mm = min(width - 2 * BORDER_MM, height - 2 * BORDER_MM - 2 * _TEXT_MM) * printed_bar_mm / CHECK_BAR_MM
    if marker.side_mm + 2 * marker.margin_mm > room_mm:
        modules = marker.dictionary.markerSize + 2
        largest_mm = int(room_mm * modules / (modules + 2))
        wrong = f"{marker.side_mm:g} mm and its white margin do not fit {paper}"
        raise BadInput(Problem(None, "--side-mm", wrong, f"Take at most {largest_mm} mm, or --paper a3"))


def marker_sheets(markers: Sequence[MarkerSheet], paper: str, printed_bar_mm: float = CHECK_BAR_MM) -> bytes:
    """Return a PDF with a sheet for each marker and one with the calibration board.

    printed_bar_mm : how long the 100 mm bar came out of this printer; everything is drawn larger by as much as the
    printer makes it smaller. Equal arguments give equal bytes.
    """
    enlarge = CHECK_BAR_MM / printed_bar_mm
    store = io.BytesIO()
    canvas = Canvas(store, pagesize=tuple(side * mm for side in PAPERS_MM[paper]), invariant=1, pageCompression=1)
    canvas.setTitle("Floor markers and calibration board")
    for marker in markers:
        _marker_page(canvas, marker, paper, enlarge)
        canvas.showPage()
    _board_page(canvas, paper, enlarge)
    canvas.showPage()
    canvas.save()
    return store.getvalue()


def _marker_page(canvas: Canvas, marker: MarkerSheet, paper: str, enlarge: float) -> None:
    width, height = PAPERS_MM[paper]
    side = marker.side_mm * enlarge
    margin = marker.margin_mm * enlarge
    left, bottom = (width - side) / 2, (height - side) / 2
    _modules(canvas, marker_modules(marker.dictionary, marker.number), left, bottom, side)
    # What tells the marker from others and which way it lies stays on it when it is cut out.
    kept = bottom - margin - _KEPT_MM, side + 2 * margin + 2 * _KEPT_MM
    _cut_marks(canvas, (left - margin, kept[0]), (side + 2 * margin, kept[1]))
    _arrow(canvas, width / 2, bottom + side + margin + 1)
    name = f"{marker.dictionary_name}   id {marker.number}   side {marker.side_mm:g} mm"
    _text(canvas, name, width / 2, bottom - margin - 11, 13)
    _text(
        canvas, "turn_deg counts from this edge: 0 = to the north", width / 2 + 7, bottom + side + margin + 4, 9, "left"
    )
    _check_bar(canvas, width / 2, BORDER_MM + 4, enlarge)


def _board_page(canvas: Canvas, paper: str, enlarge: float) -> None:
    """Draw the board as large as whole millimetres allow, on the sheet turned on its side."""
    high, wide = PAPERS_MM[paper]
    canvas.setPageSize((wide * mm, high * mm))
    square = float(int(min((wide - 2 * BORDER_MM) / COLUMNS, (high - 2 * BORDER_MM - 16) / ROWS) / enlarge)) * enlarge
    left, bottom = (wide - COLUMNS * square) / 2, BORDER_MM + 16
    dictionary = charuco_board().getDictionary()
    for row in range(ROWS):
        for column in range(row % 2, COLUMNS, 2):
            _black(canvas, left + column * square, bottom + (ROWS - 1 - row) * square, square, square)
    inner = square * MARKER_SHARE
    for column, row, number in board_marker_ids():
        x, y = left + (column + 0.5) * square, bottom + (ROWS - 0.5 - row) * square
        _modules(canvas, marker_modules(dictionary, number), x - inner / 2, y - inner / 2, inner)
    words = f"calibration board   {COLUMNS} x {ROWS} squares of {square / enlarge:g} mm   glue it flat on a stiff plate"
    _text(canvas, words, wide / 2 + 40, BORDER_MM + 3, 9)
    _check_bar(canvas, BORDER_MM + CHECK_BAR_MM * enlarge / 2, BORDER_MM + 4, enlarge, words=False)


def _modules(canvas: Canvas, black: NDArray[np.bool_], left: float, bottom: float, side: float) -> None:
    """Draw the black modules, rows joined: a seam between two rectangles would show as a hair line."""
    step = side / len(black)
    path = canvas.beginPath()
    for row, line in enumerate(black):
        edges = np.flatnonzero(np.diff(np.concatenate([[0], line.astype(np.int8), [0]])))
        for first, last in edges.reshape(-1, 2).tolist():
            overlap = 0.02 if row + 1 < len(black) and black[row + 1, first:last].all() else 0.0
            y = bottom + (len(black) - 1 - row) * step - overlap
            path.rect((left + first * step) * mm, y * mm, (last - first) * step * mm, (step + overlap) * mm)
    canvas.setFillGray(0)
    canvas.drawPath(path, stroke=0, fill=1)


def _black(canvas: Canvas, left: float, bottom: float, width: float, height: float) -> None:
    canvas.setFillGray(0)
    canvas.rect(left * mm, bottom * mm, width * mm, height * mm, stroke=0, fill=1)


def _cut_marks(canvas: Canvas, corner: tuple[float, float], size: tuple[float, float]) -> None:
    """Draw where to cut, outside the rectangle that stays."""
    (left, bottom), (width, height) = corner, size
    canvas.setLineWidth(_LINE_MM * mm)
    for x, outward_x in ((left, -1), (left + width, 1)):
        for y, outward_y in ((bottom, -1), (bottom + height, 1)):
            canvas.line((x + outward_x * 1) * mm, y * mm, (x + outward_x * 6) * mm, y * mm)
            canvas.line(x * mm, (y + outward_y * 1) * mm, x * mm, (y + outward_y * 6) * mm)


def _arrow(canvas: Canvas, x: float, y: float) -> None:
    """Draw the arrow that shows to the north when the marker lies with turn_deg = 0."""
    canvas.setFillGray(0)
    path = canvas.beginPath()
    points = [(0, 12), (-4, 4), (-1, 4), (-1, 0), (1, 0), (1, 4), (4, 4)]
    path.moveTo((x + points[0][0]) * mm, (y + points[0][1]) * mm)
    for across, up in points[1:]:
        path.lineTo((x + across) * mm, (y + up) * mm)
    path.close()
    canvas.drawPath(path, stroke=0, fill=1)
    _text(canvas, "N", x, y + 13, 11)


def _check_bar(canvas: Canvas, x: float, y: float, enlarge: float, words: bool = True) -> None:
    """Draw the bar whose length tells the printer's scale."""
    half = CHECK_BAR_MM * enlarge / 2
    _black(canvas, x - half, y, 2 * half, 1)
    for end in (x - half, x + half):
        canvas.setLineWidth(_LINE_MM * mm)
        canvas.line(end * mm, (y - 1.5) * mm, end * mm, (y + 2.5) * mm)
    if words:
        text = "between the end lines: 100 mm. Print at 100 %, not to fit. Other than 100: --printed-bar-mm"
        _text(canvas, text, x, y + 4, 8)


def _text(canvas: Canvas, words: str, x: float, y: float, size_pt: float, align: str = "centre") -> None:
    canvas.setFillGray(0)
    canvas.setFont("Helvetica", size_pt)
    draw = canvas.drawCentredString if align == "centre" else canvas.drawString
    draw(x * mm, y * mm, words)
