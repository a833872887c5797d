"""Printed sheets: from PDF to pixels by poppler, and read by the detectors that read the floor and the board."""

from __future__ import annotations

import subprocess
from pathlib import Path

import cv2
import numpy as np
import pytest
from small_night import Lab

from coverage_lab.camera.board import COLUMNS, ROWS, charuco_board
from coverage_lab.camera.markers import find_markers, marker_dictionary
from coverage_lab.errors import BadInput, ExitCode
from coverage_lab.frames.light import srgb_to_light
from coverage_lab.show.sheets import PAPERS_MM, MarkerSheet, check_fit, chosen_ids, marker_sheets

DPI = 150
PX_MM = DPI / 25.4


def sheet(number: int = 3, side_mm: float = 150, name: str = "apriltag_36h11") -> MarkerSheet:
    return MarkerSheet(name, marker_dictionary(name), number, side_mm)


def pages(pdf: bytes, folder: Path) -> list[np.ndarray]:
    (folder / "sheets.pdf").write_bytes(pdf)
    subprocess.run(
        ["pdftoppm", "-r", str(DPI), "-gray", "-png", "sheets.pdf", "page"], cwd=folder, check=True, timeout=60
    )
    return [cv2.imread(str(path), cv2.IMREAD_GRAYSCALE) for path in sorted(folder.glob("page*.png"))]


def found_on(picture: np.ndarray, name: str) -> dict[int, np.ndarray]:
    # A pixel of blur, as every camera has: corners are read from the flank of an edge.
    light = cv2.GaussianBlur(srgb_to_light()[picture], (0, 0), 1.0)
    return {marker.id: marker.corners_px / PX_MM for marker in find_markers(light, [name])}


@pytest.mark.parametrize(
    ("paper", "side_mm", "name", "number"),
    [
        ("a4", 150.0, "apriltag_36h11", 3),
        ("a3", 220.0, "apriltag_36h11", 586),
        ("letter", 120.0, "aruco_4x4_50", 7),
    ],
)
def test_markers_come_out_true_to_scale_and_the_right_way_up(
    tmp_path: Path, paper: str, side_mm: float, name: str, number: int
):
    (page, _) = pages(marker_sheets([sheet(number, side_mm, name)], paper), tmp_path)
    assert page.shape[1] / PX_MM == pytest.approx(PAPERS_MM[paper][0], abs=0.2)
    ((found, corners),) = found_on(page, name).items()
    assert found == number
    sides = np.linalg.norm(corners - np.roll(corners, -1, axis=0), axis=1)
    assert sides == pytest.approx(side_mm, abs=0.2)
    assert corners[0][1] == pytest.approx(corners[1][1], abs=0.1)  # its top edge lies along the sheet's top
    assert corners[0][1] < corners[3][1]
    assert corners[0][0] < corners[1][0]


def test_the_check_bar_is_100_mm_and_a_printer_that_shrinks_is_corrected(tmp_path: Path):
    for printed, folder in ((100.0, tmp_path / "true"), (97.0, tmp_path / "shrinks")):
        folder.mkdir()
        page = pages(marker_sheets([sheet(side_mm=120)], "a4", printed), folder)[0]
        bar = page[-round(14 * PX_MM) : -round(11 * PX_MM)]  # above it its words, below it the border
        dark = np.flatnonzero((bar < 128).sum(axis=0) > 0)
        assert (dark[-1] - dark[0]) / PX_MM * printed / 100 == pytest.approx(100, abs=0.4)  # lines have a width
        ((_, corners),) = found_on(page, "apriltag_36h11").items()
        assert np.linalg.norm(corners[0] - corners[1]) * printed / 100 == pytest.approx(120, abs=0.2)


def test_the_board_is_read_whole(tmp_path: Path):
    board = pages(marker_sheets([sheet()], "a4"), tmp_path)[-1]
    corners, ids, _, _ = cv2.aruco.CharucoDetector(charuco_board()).detectBoard(board)
    assert ids.ravel().tolist() == list(range((COLUMNS - 1) * (ROWS - 1)))
    grid = corners.reshape(ROWS - 1, COLUMNS - 1, 2) / PX_MM
    assert np.diff(grid[..., 0], axis=1) == pytest.approx(25.0, abs=0.2)
    assert np.diff(grid[..., 1], axis=0) == pytest.approx(25.0, abs=0.2)


def test_the_marker_matches_the_published_table(tmp_path: Path):
    """AprilTag 36h11 id 0 is 0xd5d628584 in the tables published with it; OpenCV, whose top edge is ours, turns it."""
    ((page), _) = pages(marker_sheets([sheet(0, 100)], "a4"), tmp_path)
    corners = found_on(page, "apriltag_36h11")[0] * PX_MM
    warp = cv2.getPerspectiveTransform(corners.astype(np.float32), np.float32([[0, 0], [80, 0], [80, 80], [0, 80]]))
    modules = cv2.warpPerspective(page, warp, (80, 80))[5::10, 5::10] > 128
    as_published = np.rot90(modules, 2)
    # The table walks the 6 × 6 bits in rows from the top left (the first edition of the format).
    code = int("".join("1" if bit else "0" for bit in as_published[1:7, 1:7].ravel()), 2)
    assert code == 0xD5D628584


def test_equal_sheets_have_equal_bytes_and_no_pixels():
    pdf = marker_sheets([sheet()], "a4")
    assert pdf == marker_sheets([sheet()], "a4")
    assert b"/Subtype /Image" not in pdf


@pytest.mark.parametrize(
    ("words", "numbers"), [("0-3", [0, 1, 2, 3]), ("7", [7]), ("2, 0,2", [0, 2]), ("4-5,1", [1, 4, 5])]
)
def test_numbers_are_read_as_people_write_them(words: str, numbers: list[int]):
    assert chosen_ids(words, 587) == numbers


@pytest.mark.parametrize("words", ["", "a", "3-1", "-1", "0-587", "1.5"])
def test_numbers_that_are_none_are_refused(words: str):
    with pytest.raises(BadInput, match="--ids"):
        chosen_ids(words, 587)


def test_a_marker_larger_than_the_paper_is_refused_with_the_largest_that_fits():
    with pytest.raises(BadInput, match="at most") as refusal:
        check_fit(sheet(side_mm=180), "a4")
    largest = float(str(refusal.value).split("at most ")[1].split()[0])
    check_fit(sheet(side_mm=largest), "a4")
    with pytest.raises(BadInput):
        check_fit(sheet(side_mm=largest + 1.5), "a4")


def test_command_says_what_an_earlier_print_measures(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
):
    out = tmp_path / "markers.pdf"
    told = Lab(tmp_path, monkeypatch, capsys).run("room", "markers", "--printed-bar-mm", "97", "--out", out)
    assert told.code == ExitCode.DONE
    assert "145.5 mm" in told.line("earlier print")
    assert out.read_bytes().startswith(b"%PDF-")
