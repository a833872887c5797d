"""The camera against published numbers and against other libraries' arithmetic."""

import cv2
import numpy as np
import pytest
from skimage.transform import ProjectiveTransform

from coverage_lab.camera.markers import known_dictionaries
from coverage_lab.camera.model import Camera, Lens

# OpenCV, samples/data/left_intrinsics.yml: its own calibration of its own chessboard pictures (640 × 480).
OPENCV_LENS = Lens(
    (640, 480),
    np.array([[535.915733961632, 0, 342.28315473308373], [0, 535.915733961632, 235.57082909788173], [0, 0, 1]]),
    np.array(
        [
            -0.26637260909660682,
            -0.038588898922304653,
            0.0017831947042852964,
            -0.00028122100441115472,
            0.23839153080878486,
        ]
    ),
)
DOWN = np.diag([1.0, -1.0, -1.0])


def by_hand(camera: Camera, points_m):
    """Brown–Conrady as OpenCV's calib3d page writes it, one step a line."""
    x, y, z = camera.rotation @ points_m.T + camera.translation_m[:, None]
    k1, k2, p1, p2, k3 = camera.lens.distortion
    x, y = x / z, y / z
    r2 = x * x + y * y
    radial = 1 + k1 * r2 + k2 * r2**2 + k3 * r2**3
    column = x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x)
    row = y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y
    matrix = camera.lens.matrix
    return np.column_stack([matrix[0, 0] * column + matrix[0, 2], matrix[1, 1] * row + matrix[1, 2]])


@pytest.mark.parametrize(
    ("point", "pixel"),
    [
        # Worked from the published calibration; recomputed by hand formula and by cv2.projectPoints.
        ((0, 0), (342.28315473, 235.57082910)),
        ((0.3, 0.2), (497.53780955, 339.21122738)),
        ((-0.5, 0.35), (98.58019307, 406.47958111)),
        ((0.6, -0.4), (626.07105571, 46.82358261)),
    ],
)
def test_points_of_the_published_opencv_calibration(point, pixel):
    camera = Camera(OPENCV_LENS, np.eye(3), np.zeros(3))
    assert np.allclose(camera.project([(*point, 1.0)]), [pixel], atol=1e-6)


@pytest.mark.parametrize(
    ("pixel", "flat"),
    [
        ((320, 240), (319.990767, 240.000170)),
        ((100, 400), (76.696685, 415.479945)),
        ((0, 0), (-46.457038, -32.908592)),
        ((639, 479), (680.578771, 512.293456)),
    ],
)
def test_undistorted_points_of_the_published_opencv_calibration(pixel, flat):
    # A camera 1 m above the floor sees undistorted normalised coordinates as metres.
    camera = Camera(OPENCV_LENS, DOWN, np.array([0.0, 0.0, 1.0]))
    x, y = camera.lift([pixel], 0.0)[0]
    matrix = OPENCV_LENS.matrix
    # The listed values stop after OpenCV's five default iterations, up to 0.002 px short; ours go on until exact.
    assert (matrix[0, 0] * x + matrix[0, 2], matrix[1, 1] * -y + matrix[1, 2]) == pytest.approx(flat, abs=3e-3)
    assert camera.project([(x, y, 0.0)])[0] == pytest.approx(pixel, abs=1e-6)


@pytest.mark.parametrize("seed", range(5))
def test_projection_is_opencvs_and_the_hand_formulas(seed):
    rng = np.random.default_rng(seed)
    rotation = cv2.Rodrigues(rng.normal(0, 0.1, 3))[0] @ DOWN
    camera = Camera(OPENCV_LENS, rotation, -rotation @ [*rng.uniform(1, 3, 2), 2.8])
    points = np.column_stack([rng.uniform(0.5, 3.5, (50, 2)), rng.uniform(0, 0.3, 50)])
    theirs, _ = cv2.projectPoints(
        points, cv2.Rodrigues(rotation)[0], camera.translation_m, OPENCV_LENS.matrix, OPENCV_LENS.distortion
    )
    ours = camera.project(points)
    assert np.allclose(ours, theirs.reshape(-1, 2), atol=1e-6)
    assert np.allclose(ours, by_hand(camera, points), atol=1e-6)


@pytest.mark.parametrize("seed", range(3))
def test_projection_through_a_wide_lens_is_opencvs(seed):
    """The rational model, eight coefficients, up to 50° off the axis."""
    rng = np.random.default_rng(seed)
    lens = Lens((4000, 3000), OPENCV_LENS.matrix * [[4], [4], [1]], rng.uniform(-0.05, 0.05, 8), model="rational")
    points = np.column_stack([rng.uniform(-1.2, 1.2, (200, 2)), np.ones(200)]) * rng.uniform(1, 3, (200, 1))
    theirs, _ = cv2.projectPoints(points, np.zeros(3), np.zeros(3), lens.matrix, lens.distortion)
    assert lens.pixels(points) == pytest.approx(theirs.reshape(-1, 2), abs=1e-8)


def test_without_distortion_the_floor_is_mapped_as_scikit_images_homography():
    rotation = cv2.Rodrigues(np.array([0.05, -0.08, 0.3]))[0] @ DOWN
    camera = Camera(Lens((640, 480), OPENCV_LENS.matrix, np.zeros(5)), rotation, -rotation @ [2.0, 1.5, 2.8])
    h = camera.lens.matrix @ np.column_stack([rotation[:, 0], rotation[:, 1], camera.translation_m])
    floor = np.random.default_rng(3).uniform(0, 4, (40, 2))
    theirs = ProjectiveTransform(h / h[2, 2])
    pixels = camera.project(np.column_stack([floor, np.zeros(len(floor))]))
    assert np.allclose(pixels, theirs(floor), atol=1e-8)
    assert np.allclose(camera.lift(pixels, 0.0), theirs.inverse(pixels), atol=1e-8)


def camera_over(height_m: float, focal_px: float = 1000.0) -> Camera:
    matrix = np.array([[focal_px, 0, 0], [0, focal_px, 0], [0, 0, 1.0]])
    return Camera(Lens((4000, 4000), matrix, np.zeros(5)), DOWN, np.array([0.0, 0.0, height_m]))


def test_relief_displacement_of_a_raised_light():
    # d = r h / H (relief displacement of a vertical photograph); with r = f R / (H − h) in the picture.
    # Numbers: H 2.5 m, h 0.095 m, R 2.0 m, f 1000 px: the light appears at 831.60083, its foot at 800 px, 0.0790021 m
    # outward on the floor.
    camera = camera_over(2.5)
    light, foot = camera.project([(2.0, 0.0, 0.095), (2.0, 0.0, 0.0)])[:, 0]
    assert (light, foot) == pytest.approx((831.60083, 800.0), abs=1e-5)
    assert light - foot == pytest.approx(light * 0.095 / 2.5, abs=1e-9)
    assert camera.lift([(light, 0.0)], 0.0)[0, 0] - 2.0 == pytest.approx(0.0790021, abs=1e-7)
    assert camera.lift([(light, 0.0)], 0.095)[0] == pytest.approx((2.0, 0.0), abs=1e-9)


def test_relief_displacement_of_a_textbooks_tower():
    # Worked example in a photogrammetry question collection: flown at 1000 m, the top 10 cm from the principal point,
    # displaced by 7.2 mm: the tower is 72 m high. Scaled to a picture of 1 px per 0.1 mm.
    height_m, radius_px, shift_px = 1000.0, 1000.0, 72.0
    camera = camera_over(height_m, focal_px=1500.0)
    away = camera.lift([(radius_px - shift_px, 0.0)], 0.0)[0, 0]  # where the tower stands
    assert camera.lift([(radius_px, 0.0)], 72.0)[0, 0] == pytest.approx(away, abs=0.5)
    # Hicks, Standard Handbook of Engineering Calculations: f 210.1 mm, base at 71.68 mm, top at 76.61 mm, flown at
    # 2269 m: a tower of 146 m.
    camera = camera_over(2269.08, focal_px=210.1)
    away = camera.lift([(71.68, 0.0)], 0.0)[0, 0]
    assert camera.project([(away, 0.0, 146.02)])[0, 0] == pytest.approx(76.61, abs=0.005)


@pytest.mark.parametrize(
    ("name", "tags", "bits"),
    [
        # Olson, ICRA 2011, and Wang & Olson, IROS 2016, for the AprilTag families; sizes by the dictionaries' names.
        ("apriltag_16h5", 30, 4),
        ("apriltag_25h9", 35, 5),
        ("apriltag_36h11", 587, 6),
        ("aruco_mip_36h12", 250, 6),
        ("aruco_4x4_50", 50, 4),
        ("aruco_5x5_50", 50, 5),
        ("aruco_6x6_250", 250, 6),
        ("aruco_original", 1024, 5),
    ],
)
def test_dictionaries_have_their_published_sizes(name, tags, bits):
    dictionary = cv2.aruco.getPredefinedDictionary(known_dictionaries()[name])
    assert (len(dictionary.bytesList), dictionary.markerSize) == (tags, bits)


def test_opencv_draws_apriltag_36h11_upside_down_against_the_published_table():
    # The first codes of the published tag36h11 table, 36 bits row by row from the top left, most significant first.
    published = [0xD5D628584, 0xD97F18B49, 0xDD280910E, 0xE479E9C98, 0xEBCBCA822, 0xF31DAB3AC]
    dictionary = cv2.aruco.getPredefinedDictionary(known_dictionaries()["apriltag_36h11"])
    for number, code in enumerate(published):
        table = np.array([code >> (35 - i) & 1 for i in range(36)]).reshape(6, 6)
        drawn = dictionary.generateImageMarker(number, 8)[1:-1, 1:-1] > 0
        assert np.array_equal(drawn, np.rot90(table, 2) > 0)


def test_the_first_4x4_marker_is_the_one_in_the_table():
    # OpenCV's predefined_dictionaries.hpp: DICT_4X4_50 id 0 = 1011 0101 0011 0010.
    dictionary = cv2.aruco.getPredefinedDictionary(known_dictionaries()["aruco_4x4_50"])
    drawn = dictionary.generateImageMarker(0, 6)[1:-1, 1:-1] > 0
    assert ["".join(str(int(bit)) for bit in row) for row in drawn] == ["1011", "0101", "0011", "0010"]
