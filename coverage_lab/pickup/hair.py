"""How much of the hair on a test bed a pass left, from one picture before it and one after.

Neither picture shows the bare floor, and hair that stayed is in both. But where hair went away the pair shows the same
place with and without it: from these places the method learns, for this very hair, floor and light, how hair looks
(a linear discriminant, Fisher, Annals of Eugenics 7, 1936, on light and line filters at several widths). What floor
passes for hair is counted at the places that were cleared, and taken off both pictures alike:

    residual = (found after − false · area) / (found before − false · area)

What the finder overlooks drops out of the ratio.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from coverage_lab.errors import Problem, Refused
from coverage_lab.job import Quantity
from coverage_lab.measures.uncertainty import combined, quantity, rectangular_u
from coverage_lab.pickup.register import FloatImage, evened

Mask = NDArray[np.bool_]
_CHANGED_SIGMA = 4.5  # of the difference's own noise
_FULL = 0.75  # quantile of the change where a fibre is: its middle, not its soft rim
_FEWEST_PX = 400  # of cleared hair: less teaches nothing
_SHORTEST_PX = 14  # pieces of fewer pixels are no fibre
_TANGLE_PX = 8.0  # over which hair is dense or not
_DENSE = 0.35  # share of hair there
_CLUMP_SHARE = 1e-3  # of the bed: a smaller tangle is loose hair
_EDGE_PX = 1.0  # a fibre may end so far from where its edge is drawn
_TILES = 6  # along each side
_LARGEST_SAMPLE = 40000


@dataclass(frozen=True, slots=True, eq=False)
class Hair:
    """Hair before and after, on the pixels of the first picture. Indicative: a single run."""

    residual_percent: Quantity  # hair's area after, of that before
    before_percent: float  # of the bed that both pictures show
    after_percent: float
    clumps_before: tuple[float, ...]  # their hull's share of the bed in percent, largest first
    clumps_after: tuple[float, ...]
    false_percent: float  # of the bed, what was taken off as floor that passes for hair
    found_before: Mask
    found_after: Mask


def measure_hair(before: NDArray[np.uint16], after: NDArray[np.uint16], inside: Mask) -> Hair:
    """Return the residual of hair. Both pictures lie on the same pixels, (rows, cols); both show the bed `inside`.

    Raises Refused where too little went away to learn from, or hair cannot be told from floor.
    """
    _, found = _found(evened(before), evened(after), inside)
    # Again with uneven light followed on the floor alone, now that it is known where hair lies.
    bare, found = _found(evened(before, found[0]), evened(after, found[1]), inside)
    counts = _tile_counts([*found, found[1] & bare, bare, inside, *(_rim(one) for one in found)])
    residual = _residual(counts)
    if residual is None:
        raise Refused(_trouble("the floor looks too much like the hair"))
    total = counts.sum(axis=0)
    false = total[2] / total[3]
    area = total[4]
    return Hair(
        residual_percent=residual,
        before_percent=100 * float(max(total[0] / area - false, 0.0)),
        after_percent=100 * float(max(total[1] / area - false, 0.0)),
        clumps_before=_clumps(found[0], int(area)),
        clumps_after=_clumps(found[1], int(area)),
        false_percent=100 * float(false),
        found_before=found[0],
        found_after=found[1],
    )


def _found(first: FloatImage, second: FloatImage, inside: Mask) -> tuple[Mask, tuple[Mask, Mask]]:
    """Return floor that hair hid before and that is bare after, and where hair is in both pictures."""
    cleared, sign = _cleared(first, second, inside)
    scores = _scores(sign * first, sign * second, cleared)
    sure = float(np.median(scores[0][cleared]))
    stayed = _around(_pieces((scores[0] > sure) & (scores[1] > sure)), 9)
    bare = cleared & ~stayed
    if bare.sum() < _FEWEST_PX:
        raise Refused(_trouble("too little hair went away apart from hair that stayed"))
    # So that as many pixels count near cleared hair as hair was cleared: fibres keep their width.
    near = _around(bare, 7) & inside & ~stayed
    level = np.quantile(scores[0][near], 1 - bare.sum() / near.sum())
    one, other = (_pieces(score > level) & inside for score in scores)
    return bare, (one, other)


def _cleared(first: FloatImage, second: FloatImage, inside: Mask) -> tuple[Mask, float]:
    """Return where hair was that is gone, and whether hair is brighter (1) or darker (−1) than the floor."""
    soft = [cv2.GaussianBlur(one, (0, 0), 0.8) for one in (first, second)]
    # Beyond what a pixel of misplacement can make: against the darkest and brightest neighbour in the other picture.
    square = np.ones((3, 3), np.uint8)
    darker = cv2.erode(soft[1], square) - soft[0]
    brighter = soft[0] - cv2.dilate(soft[1], square)
    gone = []
    for change, sign in ((darker, -1.0), (brighter, 1.0)):
        # Half of the pixels lie below the median on either side; the upper half is where the hair is.
        middle = float(np.median(change[inside]))
        noise = 1.4826 * float(np.median(np.abs(change[inside] - middle)))
        strong = inside & (change > max(_CHANGED_SIGMA * noise + middle, 0.02))
        level = float(np.quantile(change[strong], _FULL)) / 2 if strong.any() else 0.0
        pieces = _pieces(strong & (change > level))
        stood_out = np.abs(soft[0][pieces]).sum() > np.abs(soft[1][pieces]).sum()
        gone.append((pieces, sign, int(pieces.sum()) if stood_out else 0))
    pieces, sign, count = max(gone, key=lambda one: one[2])
    if count < _FEWEST_PX:
        raise Refused(_trouble("hardly any hair went away between the pictures, so its look is not known"))
    return pieces, sign


def _scores(first: FloatImage, second: FloatImage, cleared: Mask) -> tuple[FloatImage, FloatImage]:
    """Return how much each pixel looks like hair in both pictures; hair is bright here."""
    looks = [np.stack(_looks(one), axis=-1) for one in (first, second)]
    beside = _around(cleared, 7) & ~_around(cleared, 3)
    hair = _some(looks[0][cleared])
    floor = np.concatenate([_some(looks[1][cleared]), _some(looks[0][beside])])
    within = (np.cov(hair, rowvar=False) + np.cov(floor, rowvar=False)) / 2
    ridge = 1e-4 * np.trace(within) / len(within) * np.eye(len(within))
    weights = np.linalg.solve(within + ridge, hair.mean(axis=0) - floor.mean(axis=0)).astype(np.float32)
    return looks[0] @ weights, looks[1] @ weights


def _some(rows: FloatImage) -> FloatImage:
    """Return evenly spaced rows, no more than are needed."""
    return rows[:: len(rows) // _LARGEST_SAMPLE + 1]


def _around(mask: Mask, side_px: int) -> Mask:
    """Return a mask grown to `side_px` squares around its pixels."""
    return np.asarray(cv2.dilate(mask.view(np.uint8), np.ones((side_px, side_px), np.uint8)), bool)


def _looks(light: FloatImage) -> list[FloatImage]:
    """Return what a pixel is judged by: light at three scales, ridges and the best straight line through it."""
    looks = [cv2.GaussianBlur(light, (0, 0), sigma) for sigma in (0.7, 1.6, 3.5)]
    for sigma in (1.0, 1.8):
        soft = cv2.GaussianBlur(light, (0, 0), sigma)
        xx, yy, xy = (cv2.Sobel(soft, cv2.CV_32F, *order, ksize=3) for order in ((2, 0), (0, 2), (1, 1)))
        looks.append(np.asarray(np.hypot((xx - yy) / 2, xy) - (xx + yy) / 2, np.float32))
    looks += [_line(light, length) for length in (9, 17)]
    return [np.asarray(one, np.float32) for one in looks]


def _line(light: FloatImage, length_px: int) -> FloatImage:
    """Return the brightest mean along a straight piece through each pixel, over 12 directions, above its sides."""
    best = np.full(light.shape, -np.inf, np.float32)
    half = length_px // 2 + 4
    down, right = np.mgrid[-half : half + 1, -half : half + 1].astype(np.float32)
    for angle in np.arange(12) * np.pi / 12:
        along = down * np.sin(angle) + right * np.cos(angle)
        across = down * np.cos(angle) - right * np.sin(angle)
        window = np.exp(-0.5 * (along / (length_px / 3)) ** 2)
        middle, side = np.exp(-0.5 * across**2), np.exp(-0.5 * ((np.abs(across) - 4) / 1.2) ** 2)
        kernel = window * middle / (window * middle).sum() - window * side / (window * side).sum()
        best = np.maximum(best, cv2.filter2D(light, cv2.CV_32F, kernel.astype(np.float32)))
    return best


def _pieces(mask: Mask) -> Mask:
    """Return a mask without pieces too small for a fibre."""
    _, labels, stats, _ = cv2.connectedComponentsWithStats(mask.view(np.uint8), connectivity=8)
    large = stats[:, cv2.CC_STAT_AREA] >= _SHORTEST_PX
    large[0] = False
    return np.asarray(large[labels], bool)


def _tile_counts(masks: list[Mask]) -> NDArray[np.float64]:
    """Return how many pixels of each mask lie in each tile, (tiles, masks)."""
    rows = np.array_split(np.arange(masks[0].shape[0]), _TILES)
    cols = np.array_split(np.arange(masks[0].shape[1]), _TILES)
    return np.asarray(
        [[mask[r[0] : r[-1] + 1, c[0] : c[-1] + 1].sum() for mask in masks] for r in rows for c in cols], np.float64
    )


def _residual(counts: NDArray[np.float64]) -> Quantity | None:
    """Return the residual in percent; None where no hair is left to divide by.

    Its uncertainty: where fibres end (a rectangle; loose fibres have more edge than tangles, so it does not drop out),
    and how well it is known what floor passes for hair (delete-a-group jackknife over tiles).
    """

    def share(false: float, wider_px: float = 0.0) -> float:
        before = whole[0] - false * whole[4] + wider_px * whole[5]
        after = whole[1] - false * whole[4] + wider_px * whole[6]
        return 100 * float(after / before) if before > 0 else float("nan")

    def false_share(total: NDArray[np.float64]) -> float:
        return float(total[2] / max(total[3], 1.0))

    whole = counts.sum(axis=0)
    false = false_share(whole)
    value = share(false)
    each = np.asarray([share(false_share(whole - one)) for one in counts])
    ends = [share(false, side * _EDGE_PX) for side in (-1, 1)]
    if not np.isfinite([value, *each, *ends]).all():
        return None
    n = len(each)
    from_floor = float(np.sqrt((n - 1) / n * np.sum((each - each.mean()) ** 2)))
    from_edge = rectangular_u(max(abs(end - value) for end in ends))
    return quantity(max(value, 0.0), combined([from_floor, from_edge]), low=0.0)


def _rim(mask: Mask) -> Mask:
    """Return a mask's outermost pixels."""
    return np.asarray(mask & ~cv2.erode(mask.view(np.uint8), np.ones((3, 3), np.uint8)).astype(bool))


def _clumps(found: Mask, area_px: int) -> tuple[float, ...]:
    """Return the tangles in a mask by their hull's share of the bed, percent, largest first."""
    # Where hair is dense over some fibres' width; fibres that merely cross are not.
    dense = cv2.GaussianBlur(found.astype(np.float32), (0, 0), _TANGLE_PX) > _DENSE
    outlines, _ = cv2.findContours(dense.view(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    shares = sorted((cv2.contourArea(cv2.convexHull(one)) / area_px for one in outlines), reverse=True)
    return tuple(100 * float(share) for share in shares if share >= _CLUMP_SHARE)


def _trouble(wrong: str) -> Problem:
    return Problem(None, "", wrong, "Photograph the bed from the same place and in the same light, before and after")
