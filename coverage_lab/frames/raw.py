"""Camera raw files (DNG, CR2, CR3, NEF, ARW …) as linear light, through LibRaw.

The sensor's own numbers, black taken off and scaled so that the white level is full scale: no white balance, no colour
matrix, no curve, no brightening, no turning by the orientation tag.
"""

from __future__ import annotations

from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np
from numpy.typing import NDArray

from coverage_lab.errors import Problem, UnreadableFrame
from coverage_lab.frames.exif import Exif, exif_of

if TYPE_CHECKING:
    import rawpy


def raw_light(path: Path, content: bytes, largest_px: int) -> tuple[NDArray[np.uint16], Exif | None]:
    """Return the grey light (H, W) of a raw file's content, 65535 = white level, and what the camera wrote.

    Colours are mixed as for other pictures, 0.299 R + 0.587 G + 0.114 B. Raises UnreadableFrame if it cannot be
    decoded whole, claims more than `largest_px` pixels, or the library for raw files is not installed.
    """
    library = _library(path)
    try:
        with library.imread(BytesIO(content)) as raw:
            if raw.sizes.height * raw.sizes.width > largest_px:
                wrong = f"claims {raw.sizes.width} × {raw.sizes.height} pixels"
                raise UnreadableFrame(Problem(path, "", wrong, "Check the file"))
            exif = _exif(raw, content)
            colour = raw.postprocess(
                demosaic_algorithm=library.DemosaicAlgorithm.LINEAR,
                output_color=library.ColorSpace.raw,
                output_bps=16,
                gamma=(1, 1),
                user_wb=[1.0, 1.0, 1.0, 1.0],
                no_auto_bright=True,
                adjust_maximum_thr=0.0,  # else LibRaw scales each picture by its own brightest pixel
                user_flip=0,
            )
    except (library.LibRawError, ValueError) as error:
        said = error.args[0].decode() if error.args and isinstance(error.args[0], bytes) else str(error)
        mend = "Copy it from the camera again, or take it out of the run"
        raise UnreadableFrame(Problem(path, "", f"cannot be decoded whole ({said})", mend)) from None
    return np.asarray(cv2.cvtColor(colour, cv2.COLOR_RGB2GRAY), dtype=np.uint16), exif


def read_raw_exif(path: Path) -> Exif | None:
    """Return what the camera wrote into a raw file; None if it cannot be read, or without the library."""
    try:
        content = path.read_bytes()
        library = _library(path)
        with library.imread(BytesIO(content)) as raw:
            return _exif(raw, content)
    except (OSError, UnreadableFrame):
        return None
    except library.LibRawError:
        return None  # reading the frame itself will say what is wrong with it


def _library(path: Path) -> Any:
    try:
        import rawpy
    except ImportError:
        mend = 'Run: pip install "coverage-lab[raw]"'
        raise UnreadableFrame(Problem(path, "", "is a raw file, and rawpy is not installed", mend)) from None
    return rawpy


def _exif(raw: rawpy.RawPy, content: bytes) -> Exif | None:
    """Return the EXIF of a raw file that is TIFF inside, as most are; else the little that LibRaw tells."""
    from PIL import Image

    inside = Image.Exif()
    try:
        inside.load(content)
    except (SyntaxError, OSError, ValueError, KeyError, TypeError):
        inside = Image.Exif()
    told = exif_of(_Head(inside)) if len(inside) else None
    if told is not None and told.taken is not None:
        return told
    other = raw.other
    taken = other.timestamp.strftime("%Y:%m:%d %H:%M:%S") if other.timestamp.year > 1970 else None
    return Exif(other.shutter_speed or None, other.focal_length or None, None, taken, None, other.iso_speed or None)


class _Head:
    """EXIF in the form in which an opened picture offers it."""

    def __init__(self, exif: Any) -> None:
        self._exif = exif

    def getexif(self) -> Any:
        return self._exif
