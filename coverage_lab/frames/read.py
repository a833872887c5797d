"""Read one picture whole, check it, and give its light.

An 8-bit picture carries the sRGB curve, which is undone here; a 16-bit PNG or TIFF is linear light already, as is a
camera's raw file.
Colour becomes grey by JPEG's own weights (0.299 R + 0.587 G + 0.114 B, ITU-R BT.601). EXIF
orientation is ignored: coordinates are those of the sensor.
"""

from __future__ import annotations

import hashlib
import struct
import warnings
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import simplejpeg
from numpy.typing import NDArray

from coverage_lab.errors import Problem, UnreadableFrame
from coverage_lab.frames.exif import Exif, exif_of
from coverage_lab.frames.kinds import RAW_SUFFIXES, VIDEO_SUFFIXES
from coverage_lab.frames.light import clip_light, srgb_to_light

LARGEST_PX = 250_000_000

_JPEG, _PNG, _TIFF = "JPEG", "PNG", "TIFF"
_SIGNATURES = {b"\xff\xd8\xff": _JPEG, b"\x89PNG\r\n\x1a\n": _PNG, b"II*\x00": _TIFF, b"MM\x00*": _TIFF}
_AGAIN = "Copy it from the camera again, or take it out of the run"


@dataclass(frozen=True, slots=True, eq=False)
class Frame:
    """One picture as linear light."""

    path: Path
    light: NDArray[np.uint16]  # (H, W), 0 to 65535 = full scale
    clip: int  # light at or above which a pixel counts as saturated
    digest: str  # SHA-256 of the file's content, hexadecimal
    exif: Exif | None


def read_frame(path: Path) -> Frame:
    """Read a JPEG, PNG, TIFF or camera raw file as linear light; a video as one exposure of its whole length.

    Raises UnreadableFrame if the file is missing, empty, not such a picture, cut off, or larger than
    250 million pixels (judged by its header, before anything is decoded).
    """
    if path.suffix.lower() in VIDEO_SUFFIXES and path.is_file():
        return _video(path)
    content = _content(path)
    if path.suffix.lower() in RAW_SUFFIXES:
        return _raw(path, content)
    kind = _kind(path, content)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # Pillow warns of damaged EXIF, which spoils no pixel
        header = _header(path, content, kind)
        exif = exif_of(header)
    width, height = header.size
    if width * height > LARGEST_PX:
        raise _unreadable(path, f"claims {width} × {height} pixels; the limit is 250 million", "Check the file")
    codes = _decoded(path, content, kind)
    if kind == _TIFF:
        codes = _as_stored(codes, header.getexif().get(0x0112, 1))
    light = cv2.LUT(codes, srgb_to_light()) if codes.dtype == np.uint8 else codes
    digest = hashlib.sha256(content).hexdigest()
    return Frame(path, np.asarray(light, dtype=np.uint16), clip_light(codes.dtype), digest, exif)


def _raw(path: Path, content: bytes) -> Frame:
    from coverage_lab.frames.raw import raw_light

    light, exif = raw_light(path, content, LARGEST_PX)
    return Frame(path, light, clip_light(light.dtype), hashlib.sha256(content).hexdigest(), exif)


def _video(path: Path) -> Frame:
    from coverage_lab.frames.video import whole_video

    return Frame(path, *whole_video(path), None)


def _unreadable(path: Path, wrong: str, mend: str) -> UnreadableFrame:
    return UnreadableFrame(Problem(path, "", wrong, mend))


def _content(path: Path) -> bytes:
    try:
        content = path.read_bytes()
    except FileNotFoundError:
        raise _unreadable(path, "there is no such file", "Check the name") from None
    except IsADirectoryError:
        raise _unreadable(path, "is a folder", "Name the pictures in it") from None
    except OSError as error:
        raise _unreadable(path, f"cannot be read ({error.strerror})", "Check the file's permissions") from None
    if not content:
        raise _unreadable(path, "the file is empty", _AGAIN)
    return content


def _kind(path: Path, content: bytes) -> str:
    kind = next((kind for start, kind in _SIGNATURES.items() if content.startswith(start)), None)
    # Raw files of many makers are TIFF inside, and would be read as their small preview.
    if kind is None or (kind == _TIFF and path.suffix.lower() not in (".tif", ".tiff")):
        raise _unreadable(path, "is not a JPEG, PNG or TIFF picture", "Export it as JPEG, or as 16-bit PNG or TIFF")
    return kind


def _header(path: Path, content: bytes, kind: str) -> Any:
    """Return Pillow's view of the header; nothing is decoded.

    The classes are called directly because `Image.open` adds a size check of its own, with a lower limit.
    """
    from PIL import JpegImagePlugin, PngImagePlugin, TiffImagePlugin

    readers: dict[str, Any] = {
        _JPEG: JpegImagePlugin.JpegImageFile,
        _PNG: PngImagePlugin.PngImageFile,
        _TIFF: TiffImagePlugin.TiffImageFile,
    }
    try:
        return readers[kind](BytesIO(content))
    except (SyntaxError, OSError, ValueError, KeyError, struct.error, EOFError):
        raise _unreadable(path, f"its {kind} header is damaged or claims no pixels", _AGAIN) from None


def _decoded(path: Path, content: bytes, kind: str) -> NDArray[Any]:
    """Return the grey codes (H, W), uint8 or uint16."""
    if kind == _JPEG:
        try:
            # Strict: a lenient decoder pads a cut-off picture with grey and says nothing.
            return np.asarray(simplejpeg.decode_jpeg(content, colorspace="GRAY", strict=True))[..., 0]
        except ValueError as error:
            raise _unreadable(path, f"cannot be decoded whole ({str(error).rstrip('.')})", _AGAIN) from None
    flags = cv2.IMREAD_GRAYSCALE | cv2.IMREAD_ANYDEPTH | cv2.IMREAD_IGNORE_ORIENTATION
    try:
        codes = cv2.imdecode(np.frombuffer(content, np.uint8), flags)
    except cv2.error:
        codes = None
    if codes is None:
        raise _unreadable(path, "cannot be decoded whole", _AGAIN)
    if codes.dtype not in (np.uint8, np.uint16):
        raise _unreadable(path, f"holds {codes.dtype} values", "Export it with 8 or 16 bits per channel")
    return np.asarray(codes)


def _as_stored(codes: NDArray[Any], orientation: int) -> NDArray[Any]:
    """Return the rows and columns of the sensor: OpenCV turns a TIFF by its orientation tag, told not to or not."""
    back = {
        2: codes[:, ::-1],
        3: codes[::-1, ::-1],
        4: codes[::-1],
        5: codes.T,
        6: np.rot90(codes),
        7: codes[::-1, ::-1].T,
        8: np.rot90(codes, -1),
    }
    return np.ascontiguousarray(back.get(orientation, codes))
