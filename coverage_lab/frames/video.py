"""A video as a run: its pictures summed to exposures of about a second, with times from the stream.

Each picture's codes are taken as sRGB, as an 8-bit photograph's are. Summed light is that of one long exposure, up to
full scale.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from coverage_lab.errors import Problem, UnreadableFrame
from coverage_lab.frames.clock import FrameTimes
from coverage_lab.frames.light import clip_light, srgb_to_light
from coverage_lab.job import Quality

EXPOSURE_S = 1.0
CLIP = clip_light(np.dtype(np.uint8))  # light from which on a pixel counts as saturated
_SHORT = 0.02  # of its promised length that a video may lack: containers round


@dataclass(frozen=True, slots=True, eq=False)
class Take:
    """One exposure out of a video."""

    light: NDArray[np.uint16]  # (H, W), 65535 = full scale
    start_s: float  # on the stream's own clock
    end_s: float


def takes(path: Path, exposure_s: float = EXPOSURE_S) -> Iterator[Take]:
    """Yield a video's exposures, each the sum of the pictures of `exposure_s`; in the memory of one.

    Orientation marks are ignored. Raises UnreadableFrame if it cannot be opened, or holds no picture.
    """
    total: NDArray[np.uint16] | None = None
    start_s = end_s = 0.0
    for begins, start, end, picture in _pictures(path, exposure_s, decode=True):
        if begins and total is not None:
            yield Take(total, start_s, start)
            total = None
        start_s, end_s = (start if total is None else start_s), end
        light = np.asarray(cv2.LUT(cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY), srgb_to_light()), dtype=np.uint16)
        total = light if total is None else np.asarray(cv2.add(total, light), dtype=np.uint16)
    if total is None:
        raise _no_video(path, "holds no picture that can be decoded")
    yield Take(total, start_s, end_s)


def spans_s(path: Path, exposure_s: float = EXPOSURE_S) -> list[tuple[float, float]]:
    """Return start and end of each exposure that `takes` yields, without their light.

    Raises UnreadableFrame as `takes` does.
    """
    starts, end_s = [], 0.0
    for begins, start, end, _ in _pictures(path, exposure_s, decode=False):
        end_s = end
        if begins:
            starts.append(start)
    if not starts:
        raise _no_video(path, "holds no picture that can be decoded")
    return list(pairwise([*starts, end_s]))


def _pictures(path: Path, exposure_s: float, *, decode: bool) -> Iterator[tuple[bool, float, float, NDArray[np.uint8]]]:
    """Yield of each picture whether an exposure begins with it, its start and end, and the picture if asked for."""
    stream = _opened(path)
    picture_s = 1 / _rate(stream)
    empty = np.empty((0, 0, 3), np.uint8)
    began_s, now_s = -np.inf, 0.0
    while stream.grab():
        now_s = max(stream.get(cv2.CAP_PROP_POS_MSEC) / 1000, now_s)
        whole, picture = stream.retrieve() if decode else (True, empty)
        if not whole:
            break
        begins = now_s - began_s > exposure_s - picture_s / 2
        began_s = now_s if begins else began_s
        yield begins, now_s, now_s + picture_s, np.asarray(picture, np.uint8)
    stream.release()


def video_times(path: Path, spans: Sequence[tuple[float, float]]) -> FrameTimes:
    """Return the times of a video's exposures, given start and end of each as `takes` yields them.

    A video that ends before its own head says is told as `video-short`.
    """
    first_s = spans[0][0]
    length_s = spans[-1][1] - first_s
    promised_s = _promised_s(path)
    quality: tuple[Quality, ...] = ()
    if length_s < (1 - _SHORT) * promised_s - 0.5:
        text = (
            f"{path.name} ends after {length_s:.0f} s of {promised_s:.0f} s: it was cut off, or is damaged from there "
            "on. Copy it from the camera again; what came after is missing in every number"
        )
        quality = (Quality("video-short", "warning", text),)
    exposure_s = float(np.median([end_s - start_s for start_s, end_s in spans]))
    return FrameTimes(
        order=tuple(range(len(spans))),
        start_s=tuple(start_s - first_s for start_s, _ in spans),
        end_s=tuple(end_s - first_s for _, end_s in spans),
        period_s=exposure_s,
        exposure_s=exposure_s,
        source="frames",
        u_s=0.0,
        quality=quality,
    )


def whole_video(path: Path) -> tuple[NDArray[np.uint16], int, str]:
    """Return a video as one exposure of its whole length: light (H, W), the light that is clipped, SHA-256.

    Raises UnreadableFrame if it cannot be read, or ends before its own head says.
    """
    spans, total = [], None
    for take in takes(path):
        spans.append((take.start_s, take.end_s))
        total = take.light if total is None else np.asarray(cv2.add(total, take.light), dtype=np.uint16)
    assert total is not None
    for remark in video_times(path, spans).quality:
        raise _no_video(path, remark.text)
    return total, CLIP, content_digest(path)


def content_digest(path: Path) -> str:
    """Return the SHA-256 of a file's content, hexadecimal, without holding it in memory."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _opened(path: Path) -> cv2.VideoCapture:
    stream = cv2.VideoCapture(str(path), cv2.CAP_FFMPEG)
    if not stream.isOpened():
        raise _no_video(path, "is not a video that can be opened")
    stream.set(cv2.CAP_PROP_ORIENTATION_AUTO, 0)
    return stream


def _rate(stream: cv2.VideoCapture) -> float:
    rate = float(stream.get(cv2.CAP_PROP_FPS))
    return rate if np.isfinite(rate) and rate > 0 else 25.0


def _promised_s(path: Path) -> float:
    stream = _opened(path)
    count = max(float(stream.get(cv2.CAP_PROP_FRAME_COUNT)), 0.0)
    seconds = count / _rate(stream)
    stream.release()
    return seconds


def _no_video(path: Path, wrong: str) -> UnreadableFrame:
    return UnreadableFrame(Problem(path, "", wrong, "Copy it from the camera again, or take it out of the run"))
