"""From light to a picture file's codes: noise, clipping, and the curve that the camera puts on top."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

Picture = NDArray[np.float32]
Codes = NDArray[np.uint8] | NDArray[np.uint16]
Transfer = Literal["srgb", "camera", "linear"]

_HALF_S = 0.45  # how much of a full S-curve the "camera" look mixes in
_SHARPEN = 0.6  # how much of the detail below one pixel it adds again


@dataclass(frozen=True, slots=True)
class Sensor:
    """How a camera turns light into codes.

    `transfer`: "srgb" (8 bit), "camera" (8 bit, with the S-curve and sharpening of many cameras' JPEGs) or
    "linear" (16 bit). Hot pixels are the same in all pictures of one `hot_seed`.
    """

    transfer: Transfer = "srgb"
    full_well_e: float = 18_000.0  # electrons at full scale
    read_noise_e: float = 12.0
    hot_per_megapixel: float = 15.0
    hot_seed: int = 0


def develop(light: Picture, sensor: Sensor, rng: np.random.Generator) -> Codes:
    """Return the codes (rows, cols, 3) of light (rows, cols, 3) given in shares of full scale.

    8 bit, or 16 bit where the transfer is linear. Black without light is the dark frame of the same sensor.
    """
    noisy = light + _hot_pixels(light.shape[:2], sensor)[..., None]
    variance = np.maximum(noisy, 0) / sensor.full_well_e + (sensor.read_noise_e / sensor.full_well_e) ** 2
    noisy += np.sqrt(variance, dtype=np.float32) * rng.standard_normal(light.shape, dtype=np.float32)
    linear = np.clip(noisy * 65535 + 0.5, 0, 65535).astype(np.uint16)
    if sensor.transfer == "linear":
        return np.asarray(linear)
    coded = _curve(sensor.transfer)[linear]
    if sensor.transfer == "camera":
        coded += _SHARPEN * (coded - cv2.GaussianBlur(coded, (0, 0), 1.0))
    return np.asarray(np.clip(coded * 255 + 0.5, 0, 255), dtype=np.uint8)


def write_picture(path: Path, codes: Codes, *, jpeg_quality: int = 90, exif: bytes | None = None) -> None:
    """Write codes as JPEG (8 bit, no colour subsampling) or PNG, by the name's ending, with EXIF (a TIFF block)."""
    options = [cv2.IMWRITE_JPEG_QUALITY, jpeg_quality, cv2.IMWRITE_JPEG_SAMPLING_FACTOR, 0x111111]
    options = options if path.suffix == ".jpg" else []
    if exif is None:
        done, content = cv2.imencode(path.suffix, codes, options)
    else:
        block = [np.frombuffer(exif, np.uint8)]
        done, content = cv2.imencodeWithMetadata(path.suffix, codes, [cv2.IMAGE_METADATA_EXIF], block, options)
    if not done:
        raise ValueError(f"cannot write {codes.dtype} as {path.suffix}")
    path.write_bytes(content.tobytes())


def _hot_pixels(shape: tuple[int, ...], sensor: Sensor) -> Picture:
    rng = np.random.default_rng(sensor.hot_seed)
    hot = np.zeros(shape, np.float32)
    count = round(sensor.hot_per_megapixel * hot.size / 1e6)
    hot.flat[rng.integers(0, hot.size, count)] = rng.uniform(0.1, 1.0, count)
    return hot


def _curve(transfer: Transfer) -> Picture:
    """Return the code, 0 to 1, of each 16-bit light. Source: IEC 61966-2-1, 5.2 (sRGB)."""
    light = np.arange(65536) / 65535
    code = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    if transfer == "camera":
        code += _HALF_S * (code**2 * (3 - 2 * code) - code)
    return code.astype(np.float32)
