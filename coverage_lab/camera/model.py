"""A pinhole camera with lens distortion: from the room to the picture and back to any height.

Pixel (0, 0) is the centre of the first pixel; pixels are (column, row); x_camera = R · x_room + t. Lens model
as in OpenCV's documentation of its camera models: Brown–Conrady (D. C. Brown, Photogrammetric Engineering 32,
1966), its rational form for wide angles, and fisheye (Kannala & Brandt, IEEE PAMI 28, 2006).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]
LensModel = Literal["brown", "rational", "fisheye"]

# How many distortion coefficients each model has, in OpenCV's order: k1, k2, p1, p2, k3, of the rational model
# then k4, k5, k6; of the fisheye model k1 to k4.
COEFFICIENTS: dict[LensModel, int] = {"brown": 5, "rational": 8, "fisheye": 4}


@dataclass(frozen=True, slots=True)
class Lens:
    """Focal length, principal point and distortion of one lens at one picture size."""

    image_size: tuple[int, int]  # width, height in pixels
    matrix: FloatArray  # (3, 3)
    distortion: FloatArray  # (COEFFICIENTS[model],)
    source: str = "jpeg"
    model: LensModel = "brown"

    def pixels(self, points: ArrayLike) -> FloatArray:
        """Return the pixels (N, 2) in which points (N, 3) in the camera's own frame appear."""
        points = np.asarray(points, dtype=np.float64).reshape(-1, 3)
        if self.model == "fisheye":
            still = np.zeros(3)
            seen, _ = cv2.fisheye.projectPoints(points[:, None], still, still, self.matrix, self.distortion)
            return np.asarray(seen, dtype=np.float64).reshape(-1, 2)
        bent = _bent(points[:, :2] / points[:, 2:], self.distortion)
        return np.asarray(bent @ self.matrix[:2, :2].T + self.matrix[:2, 2])

    def rays(self, pixels: ArrayLike) -> FloatArray:
        """Return where the lines of sight of pixels (N, 2) cross the plane one unit before the camera, (N, 2)."""
        points = np.asarray(pixels, dtype=np.float64).reshape(-1, 1, 2)
        criteria = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 100, 1e-10)
        undistort = cv2.fisheye.undistortPoints if self.model == "fisheye" else cv2.undistortPoints
        flat = undistort(points, self.matrix, self.distortion, criteria=criteria)
        return np.asarray(flat, dtype=np.float64).reshape(-1, 2)


def _bent(flat: FloatArray, distortion: FloatArray) -> FloatArray:
    """Return where a lens shows points (N, 2) of the plane one unit before it, by `brown` or `rational` coefficients.

    OpenCV 5.0 takes some twenty times as long for the same, since its Python function always makes the derivatives too.
    """
    k1, k2, p1, p2, k3, k4, k5, k6 = np.pad(distortion, (0, COEFFICIENTS["rational"] - len(distortion)))
    x, y = flat.T
    r2 = x * x + y * y
    radial = (1 + r2 * (k1 + r2 * (k2 + r2 * k3))) / (1 + r2 * (k4 + r2 * (k5 + r2 * k6)))
    across = 2 * x * y
    return np.column_stack(
        [x * radial + p1 * across + p2 * (r2 + 2 * x * x), y * radial + p2 * across + p1 * (r2 + 2 * y * y)]
    )


@dataclass(frozen=True, slots=True)
class Camera:
    """A lens and its pose in the room."""

    lens: Lens
    rotation: FloatArray  # (3, 3), room to camera
    translation_m: FloatArray  # (3,)

    @property
    def centre_m(self) -> FloatArray:
        """Where the camera hangs: (x, y, z) in the room, shape (3,)."""
        return np.asarray(-self.rotation.T @ self.translation_m)

    def project(self, points_m: ArrayLike) -> FloatArray:
        """Return the pixels (N, 2) in which room points (N, 3) appear."""
        points = np.asarray(points_m, dtype=np.float64).reshape(-1, 3) @ self.rotation.T + self.translation_m
        return self.lens.pixels(points)

    def lift(self, pixels: ArrayLike, height_m: float) -> FloatArray:
        """Return the room points (N, 2) at height `height_m` that appear in pixels (N, 2).

        Raises ValueError where the plane is not below the camera.
        """
        if height_m >= self.centre_m[2]:
            raise ValueError(f"the plane at {height_m} m is not below the camera at {self.centre_m[2]:.3f} m")
        flat = self.lens.rays(pixels)
        rays = np.column_stack([flat, np.ones(len(flat))]) @ self.rotation
        along = (height_m - self.centre_m[2]) / rays[:, 2]
        return np.asarray(self.centre_m[:2] + along[:, None] * rays[:, :2])


@dataclass(frozen=True, slots=True)
class MarkerResidual:
    """How well one marker (or hand-picked corner) fits: root mean square over its corners."""

    name: str
    rms_px: float
    rms_mm: float


@dataclass(frozen=True, slots=True)
class CameraFit:
    """A fitted camera and how well it is known.

    `parameters` are the fitted values in the order of `names` (a subset of rx, ry, rz, tx, ty, tz, f, cx, cy,
    k1, k2; rotation as a Rodrigues vector); `covariance` is theirs. `with_parameters(p)` gives the camera for
    other values, so that an uncertainty is propagated by moving the camera.
    """

    camera: Camera
    names: tuple[str, ...]
    parameters: FloatArray  # (P,)
    covariance: FloatArray  # (P, P)
    residuals: tuple[MarkerResidual, ...]
    rms_px: float
    rms_mm: float
    dropped: tuple[str, ...] = ()  # markers left out as moved
    causes: Mapping[str, FloatArray] = field(default_factory=dict)  # the covariance by cause; they add up to it

    def with_parameters(self, parameters: ArrayLike) -> Camera:
        """Return the camera with other values (P,) for the fitted parameters."""
        return camera_of(self.camera.lens, self.names, np.asarray(parameters, dtype=np.float64))


def camera_of(lens: Lens, names: tuple[str, ...], parameters: FloatArray) -> Camera:
    """Return the camera with values (P,) for the parameters `names`; `lens` gives what they leave."""
    value = dict(zip(names, parameters.tolist(), strict=True))
    rotation, _ = cv2.Rodrigues(np.array([value["rx"], value["ry"], value["rz"]]))
    matrix = lens.matrix.copy()
    if "f" in value:
        matrix[0, 0] = matrix[1, 1] = value["f"]
    if "cx" in value:
        matrix[0, 2], matrix[1, 2] = value["cx"], value["cy"]
    distortion = lens.distortion.copy()
    if "k1" in value:
        distortion[:2] = value["k1"], value["k2"]
    changed = replace(lens, matrix=matrix, distortion=distortion)
    return Camera(changed, np.asarray(rotation), np.array([value["tx"], value["ty"], value["tz"]]))
