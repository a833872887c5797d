"""Makes the pictures of docs/guide.md by following it.

PYTHONPATH=tests python tests/cli/guide_pictures.py docs/pictures
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from tempfile import TemporaryDirectory

import cv2
import numpy as np
from followed import run_commands
from guided import BURNT, RIGHT, Hands, follow
from numpy.typing import NDArray
from PIL import Image

from coverage_lab.show.palette import PAPER
from coverage_lab.show.rows import blank, line, stacked
from coverage_lab.show.text import BODY, HEADING

Picture = NDArray[np.uint8]
FAINT = 0.0002
WIDE, APART = 420, 18


def save(
    picture: Picture, path: Path, wide: int, colours: int, method: Image.Quantize = Image.Quantize.MEDIANCUT
) -> None:
    """Write a picture (rows, cols, 3) with a palette, which makes it small."""
    image = Image.fromarray(picture)
    image = image.resize((wide, round(image.height * wide / image.width)), Image.Resampling.LANCZOS)
    image.quantize(colours, method, dither=Image.Dither.NONE).save(path, optimize=True)


def read(path: Path) -> Picture:
    return np.asarray(Image.open(path).convert("RGB"))


def marker_sheet(hands: Hands) -> Picture:
    """The first sheet, with an edge of paper around it."""
    subprocess.run(["pdftoppm", "-r", "80", "-l", "1", "-png", "markers.pdf", "sheet"], cwd=hands.folder, check=True)
    sheet = read(next(hands.folder.glob("sheet-*.png")))
    return cv2.copyMakeBorder(sheet, 2, 2, 2, 2, cv2.BORDER_CONSTANT, value=(150, 150, 150))


def exposures(hands: Hands) -> Picture:
    """One run exposed three ways; below each what `measure` tells of it."""
    table = hands.night / "night.toml"
    whole = table.read_text("utf-8")
    columns = []
    for title, level in (("too dark", FAINT), ("right", RIGHT), ("too bright", BURNT)):
        hands.shoot("wren-1", level)
        # The ambient frame is that of the right exposure.
        table.write_text(whole if level == RIGHT else whole.replace('ambient = "ambient.jpg"\n', ""), "utf-8")
        _, printed = run_commands("coverage-lab measure season-2031/2031-02-11/wren-1", hands.folder)
        said = next(text for text in printed if ": " in text).partition(": ")[2]
        size = (WIDE, WIDE * 3 // 4)
        small = cv2.resize(read(hands.night / "wren-1.jpg"), size, dst=None, interpolation=cv2.INTER_AREA)
        columns.append(stacked([line(title, WIDE, HEADING), small, blank(8, WIDE), line(said, WIDE, BODY)]))
    tall = max(len(column) for column in columns)
    sheet = blank(tall + 2 * APART, 3 * WIDE + 4 * APART, PAPER)
    for number, column in enumerate(columns):
        left = APART + number * (WIDE + APART)
        sheet[APART : APART + len(column), left : left + WIDE] = column
    return sheet


def main(folder: Path) -> None:
    with TemporaryDirectory() as place:
        hands = Hands(Path(place))
        follow(hands)
        save(marker_sheet(hands), folder / "guide-markers.png", 420, 16)
        save(read(hands.night / "lens.png"), folder / "guide-lens.png", 900, 24)
        save(
            read(hands.night / "results" / "wren-1" / "overlay.png"),
            folder / "guide-overlay.png",
            1100,
            160,
            Image.Quantize.MAXCOVERAGE,
        )
        save(exposures(hands), folder / "guide-exposure.png", 1200, 48)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
