"""Pictures of one size to a GIF whose colours never flicker, and to an MP4 that any browser plays."""

from __future__ import annotations

import subprocess
import tempfile
from collections.abc import Iterable, Sequence
from io import BytesIO
from pathlib import Path

import numpy as np

from coverage_lab.show.palette import Picture

_COLOURS = 255


def gif_bytes(pictures: Sequence[Picture], step_s: float, hold_s: float) -> bytes:
    """Return an animated GIF (rows, cols, 3 each), endlessly repeated; the last picture stays for `hold_s`.

    All pictures share one palette, chosen over samples from the whole film, and none is dithered: only what moves
    changes, and the file stays small.
    """
    from PIL import Image

    sample = np.concatenate([pictures[at] for at in np.linspace(0, len(pictures) - 1, 6).round().astype(int)])
    palette = Image.fromarray(sample).quantize(_COLOURS, method=Image.Quantize.MEDIANCUT, dither=Image.Dither.NONE)
    frames = [Image.fromarray(one).quantize(palette=palette, dither=Image.Dither.NONE) for one in pictures]
    # GIF counts hundredths of a second; ends are rounded, not steps, so that the film's length is right.
    ends = np.rint(100 * step_s * np.arange(1, len(frames) + 1)).astype(int)
    lasts_ms = [int(10 * part) for part in np.diff(ends, prepend=0)]
    lasts_ms[-1] = round(100 * hold_s) * 10
    file = BytesIO()
    frames[0].save(
        file, "GIF", save_all=True, append_images=frames[1:], duration=lasts_ms, loop=0, optimize=False, disposal=1
    )
    return file.getvalue()


def mp4_bytes(pictures: Iterable[Picture], size: tuple[int, int], step_s: float, hold_s: float) -> bytes:
    """Return an MP4 (H.264, 4:2:0, index first) of pictures (rows, cols, 3) of an even size (width, height).

    Raises OSError with ffmpeg's own words where it fails, or if there is none.
    """
    from imageio_ffmpeg import get_ffmpeg_exe

    try:
        program = get_ffmpeg_exe()
    except RuntimeError as error:
        raise OSError(f"ffmpeg: {error}") from None
    rate = f"{1 / step_s:.6g}"
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "film.mp4"
        command = [program, "-v", "error", "-f", "rawvideo", "-pix_fmt", "rgb24"]
        command += ["-s", f"{size[0]}x{size[1]}", "-r", rate, "-i", "-", "-an", "-threads", "1", "-c:v", "libx264"]
        command += ["-preset", "medium", "-crf", "20", "-pix_fmt", "yuv420p", "-movflags", "+faststart"]
        command += ["-vf", f"tpad=stop_mode=clone:stop_duration={hold_s:g}", "-r", "24", "-bitexact", str(out)]
        done = subprocess.run(command, input=b"".join(one.tobytes() for one in pictures), capture_output=True)
        if done.returncode:
            raise OSError(f"ffmpeg: {done.stderr.decode(errors='replace').strip()[-300:]}")
        return out.read_bytes()
