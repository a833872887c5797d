"""Pictures of hair on a floor before and after a pass, with known truth: every fibre is drawn from a curve."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage import data

Image = NDArray[np.float32]
SIZE = 720
FLOORS = ("hardwood", "low pile", "high pile", "brick", "grass", "gravel")


@dataclass(frozen=True)
class Scene:
    """Two photographs, and what is true of them."""

    before: NDArray[np.uint8]  # (rows, cols, 3)
    after: NDArray[np.uint8]
    to_before: NDArray[np.float64]  # 3 × 3: pixels of `after` to pixels of `before`
    hair_before: NDArray[np.bool_]  # in pixels of `before`
    hair_after: NDArray[np.bool_]  # in pixels of `before`
    clumps_before: int
    clumps_after: int

    @property
    def residual_percent(self) -> float:
        return 100 * float(self.hair_after.sum()) / float(self.hair_before.sum())


def floor(kind: str, rng: np.random.Generator) -> Image:
    """A floor, (SIZE, SIZE, 3), linear light."""
    if kind in ("brick", "grass", "gravel"):
        grey = cv2.resize(getattr(data, kind)(), (SIZE, SIZE), interpolation=cv2.INTER_CUBIC).astype(np.float32) / 255
        tone = {"brick": (1.0, 0.86, 0.76), "grass": (0.92, 1.0, 0.8), "gravel": (1.0, 0.98, 0.94)}[kind]
        return (0.12 + 0.6 * grey)[..., None] * np.asarray(tone, np.float32)
    return {"hardwood": _wood, "low pile": _loops, "high pile": _tufts}[kind](rng)


def _wood(rng: np.random.Generator) -> Image:
    """Planks with year rings cut lengthwise, pores and joints."""
    rows, cols = np.mgrid[:SIZE, :SIZE].astype(np.float32)
    tone = np.zeros((SIZE, SIZE), np.float32)
    for top in range(0, SIZE, 120):
        plank = slice(top, top + 120)
        sway = cv2.GaussianBlur(rng.normal(0, 1, (1, SIZE)).astype(np.float32), (0, 0), 60) * 300
        across = rows[plank] + sway + rng.uniform(0, 500)
        rings = np.sin(across / rng.uniform(4, 9) + 3 * np.sin(across / 37) + cols[plank] / 400)
        tone[plank] = 0.42 + rng.normal(0, 0.03) + 0.03 * rings
    pores = cv2.GaussianBlur(rng.normal(0, 1, (SIZE, SIZE)).astype(np.float32), (0, 0), sigmaX=14, sigmaY=0.8)
    tone += 0.25 * pores
    tone[np.arange(0, SIZE, 120)] *= 0.45
    return tone[..., None] * np.asarray((1.0, 0.74, 0.5), np.float32)


def _loops(rng: np.random.Generator) -> Image:
    """Short loops in rows."""
    rows, cols = np.mgrid[:SIZE, :SIZE].astype(np.float32)
    grain = cv2.GaussianBlur(rng.normal(0, 1, (SIZE, SIZE)).astype(np.float32), (0, 0), 1.2) * 1.6
    woven = np.sin(cols * 2 * np.pi / 7) * np.sin(rows * 2 * np.pi / 7 + np.pi * (np.floor(cols / 7) % 2))
    return (0.36 + 0.05 * woven + 0.06 * grain)[..., None] * np.asarray((0.86, 0.9, 1.0), np.float32)


def _tufts(rng: np.random.Generator) -> Image:
    """Long pile that lies in changing directions: its own fibres look like hair, only short and everywhere."""
    pile = np.full((SIZE, SIZE), 0.3, np.float32)
    lie = cv2.GaussianBlur(rng.normal(0, 1, (SIZE, SIZE)).astype(np.float32), (0, 0), 40) * 120
    for row, col in rng.uniform(0, SIZE, (26000, 2)):
        angle = lie[int(row), int(col)] + rng.normal(0, 0.5)
        end = (col + 13 * np.cos(angle), row + 13 * np.sin(angle))
        shade = float(0.34 + rng.normal(0, 0.075))
        cv2.line(pile, _fixed(col, row), _fixed(*end), shade, 2, cv2.LINE_AA, 4)
    return cv2.GaussianBlur(pile, (0, 0), 0.7)[..., None] * np.asarray((0.95, 0.93, 0.88), np.float32)


def _fixed(col: float, row: float) -> tuple[int, int]:
    return round(col * 16), round(row * 16)


def fibre(start: NDArray[np.float64], rng: np.random.Generator, length_px: float, curl: float) -> NDArray[np.float64]:
    """A curve of smoothly changing bend, (N, 2): col, row."""
    steps = int(length_px / 3)
    bend = np.cumsum(rng.normal(0, curl, steps)) * 0.25 + rng.normal(0, 0.06)
    heading = rng.uniform(0, 2 * np.pi) + np.cumsum(bend)
    return start + 3 * np.cumsum(np.column_stack([np.cos(heading), np.sin(heading)]), axis=0)


def coverage(fibres: list[NDArray[np.float64]], width_px: float) -> Image:
    """How much of each pixel fibres hide, (SIZE, SIZE) in [0, 1]: drawn four times as fine and averaged."""
    fine = np.zeros((SIZE * 4, SIZE * 4), np.uint8)
    for curve in fibres:
        points = np.rint((curve * 4 + 1.5) * 16).astype(np.int32)
        cv2.polylines(fine, [points[:, None]], False, 255, round(width_px * 4), cv2.LINE_AA, 4)
    return cv2.resize(fine, (SIZE, SIZE), interpolation=cv2.INTER_AREA).astype(np.float32) / 255


def scene(
    kind: str,
    *,
    stays: float = 0.3,
    seed: int = 1,
    rotation_deg: float = 3.0,
    scale: float = 1.05,
    hair: tuple[float, float, float] = (0.05, 0.045, 0.04),
    width_px: float = 2.4,
    uneven: float = 0.35,
    clumps: int = 12,
) -> Scene:
    """Photograph hair before and after a pass that leaves a share `stays` of the fibres."""
    rng = np.random.default_rng(seed)
    ground = floor(kind, rng)
    groups = []
    for _ in range(clumps):
        centre = rng.uniform(90, SIZE - 90, 2)
        groups.append(
            [fibre(centre + rng.normal(0, 13, 2), rng, rng.uniform(50, 160), 0.35) for _ in range(rng.integers(10, 26))]
        )
    loose = [fibre(rng.uniform(60, SIZE - 60, 2), rng, rng.uniform(60, 220), 0.1) for _ in range(50)]
    kept_groups = [[one for one in group if rng.random() < 0.85] for group in groups if rng.random() < stays]
    kept = [one for group in kept_groups for one in group] + [one for one in loose if rng.random() < stays]
    before = coverage([one for group in groups for one in group] + loose, width_px)
    after = coverage(kept, width_px)
    shade = np.asarray(hair, np.float32)
    pictures = [ground * (1 - hides[..., None]) + shade * hides[..., None] for hides in (before, after)]
    away = cv2.getRotationMatrix2D((SIZE / 2, SIZE / 2), rotation_deg, scale)
    away[:, 2] += rng.uniform(-8, 8, 2)
    turned = cv2.warpAffine(pictures[1], away, (SIZE, SIZE), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)
    to_before = np.linalg.inv(np.vstack([away, [0, 0, 1]]))
    return Scene(
        before=_photograph(pictures[0], uneven, 0.4, rng),
        after=_photograph(turned, uneven, 2.2, rng),
        to_before=to_before,
        hair_before=before > 0.5,
        hair_after=after > 0.5,
        clumps_before=clumps,
        clumps_after=len(kept_groups),
    )


def _photograph(light: Image, uneven: float, from_rad: float, rng: np.random.Generator) -> NDArray[np.uint8]:
    """Light that falls off to one side, a lens that is not quite sharp, noise, sRGB and JPEG."""
    rows, cols = np.mgrid[-1 : 1 : SIZE * 1j, -1 : 1 : SIZE * 1j].astype(np.float32)
    fall = 1 + uneven * (np.cos(from_rad) * cols + np.sin(from_rad) * rows) / 1.5
    seen = cv2.GaussianBlur(light * fall[..., None].astype(np.float32), (0, 0), 0.6)
    seen = np.clip(seen + rng.normal(0, 0.006, seen.shape), 0, 1)
    coded = np.where(seen <= 0.0031308, seen * 12.92, 1.055 * np.maximum(seen, 1e-9) ** (1 / 2.4) - 0.055)
    _, jpeg = cv2.imencode(".jpg", np.rint(coded * 255).astype(np.uint8)[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 92])
    return cv2.imdecode(jpeg, cv2.IMREAD_COLOR)[..., ::-1]
