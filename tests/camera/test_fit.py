import json
import tomllib
from dataclasses import replace

import cv2
import numpy as np
import pytest
from camera.photograph import HEIGHT_M, SIZE, around, camera, marker, seen
from hypothesis import given, settings
from hypothesis import strategies as st

from coverage_lab.camera.doubt import plan_moves_m
from coverage_lab.camera.fit import fit_camera, focal_prior_px, plan_uncertainty_m, uncertain_plan
from coverage_lab.camera.markers import FoundMarker, find_markers
from coverage_lab.camera.model import Camera, Lens
from coverage_lab.errors import BadInput, Refused
from coverage_lab.frames.read import read_frame
from coverage_lab.job import PickedCorner
from coverage_lab.room.room import Marker

FLOOR = np.stack(np.meshgrid(np.arange(0, 4.01, 0.2), np.arange(0, 3.01, 0.2)), axis=-1).reshape(-1, 2)
BAR_M = 0.095


def plan_error_mm(fit, truth, points=FLOOR, height_m=BAR_M):
    pixels = truth.project(np.column_stack([points, np.full(len(points), height_m)]))
    return np.hypot(*(fit.camera.lift(pixels, height_m) - points).T) * 1000


def shifted(m: Marker, east_m: float, north_m: float, turn_deg: float = 0.0) -> Marker:
    centre = (m.centre_m[0] + east_m, m.centre_m[1] + north_m)
    return replace(m, centre_m=centre, turn_deg=m.turn_deg + turn_deg)


def codes(fitted):
    return [(remark.code, remark.level) for remark in fitted.quality]


@pytest.mark.parametrize("tilt_deg", [0.0, 2.0, 12.0, 25.0])
@pytest.mark.parametrize("turn_deg", [0.0, 95.0, 180.0, -130.0])
def test_perfect_corners_give_the_true_camera_with_a_lens_file(tilt_deg, turn_deg):
    truth, markers = camera(tilt_deg, turn_deg), around(4)
    fitted = fit_camera(seen(truth, markers), markers, SIZE, lens=truth.lens)
    assert np.allclose(fitted.fit.camera.centre_m, truth.centre_m, atol=1e-5)
    assert plan_error_mm(fitted.fit, truth).max() < 0.01
    assert fitted.quality == ()


@settings(max_examples=15, deadline=None)
@given(st.floats(0, 8), st.floats(-180, 180), st.floats(-0.2, 0.05))
def test_perfect_corners_and_tape_give_a_good_camera_without_a_lens_file(tilt_deg, turn_deg, k1):
    truth, markers = camera(tilt_deg, turn_deg, (k1, 0.0, 0, 0, 0)), around(6)
    fit = fit_camera(seen(truth, markers), markers, SIZE, height_m=HEIGHT_M, height_tolerance_m=0.01).fit
    assert plan_error_mm(fit, truth).max() < 1.0


def simulated(rng, markers, with_lens):
    """Return a true camera and a fit to it; every error is drawn as the fit believes it to be distributed."""
    truth = camera(rng.uniform(0, 3), rng.uniform(-20, 20), (0.0, 0.0, 0, 0, 0))
    lens = truth.lens
    if not with_lens:
        width, height = SIZE
        matrix = lens.matrix.copy()
        matrix[:2, 2] = (width - 1) / 2 + rng.normal(0, 0.01 * width), (height - 1) / 2 + rng.normal(0, 0.01 * width)
        distortion = np.array([rng.normal(0, 0.05), rng.normal(0, 0.05) * 0.3, 0, 0, 0])
        truth = Camera(Lens(SIZE, matrix, distortion), truth.rotation, truth.translation_m)
    spread = rng.normal(0, 0.3)
    found = []
    for m in markers:
        u_turn_deg = np.rad2deg(m.tolerance_m / np.sqrt(3) / (m.side_m / np.sqrt(2)))
        lies = shifted(m, *rng.uniform(-m.tolerance_m, m.tolerance_m, 2), rng.normal(0, u_turn_deg))
        pixels = truth.project(lies.corners_m)
        away = pixels - pixels.mean(axis=0)
        pixels = pixels + spread * away / np.hypot(*away.T)[:, None] + rng.normal(0, 0.1, (4, 2))
        found.append(FoundMarker(m.dictionary, m.id, pixels))
    tape = truth.centre_m[2] + rng.uniform(-0.02, 0.02)
    lens = truth.lens if with_lens else None
    return truth, fit_camera(found, markers, SIZE, lens=lens, height_m=tape, height_tolerance_m=0.02).fit


@pytest.mark.parametrize(("count", "with_lens"), [(4, True), (6, True), (3, False), (5, False)])
def test_the_plans_uncertainty_is_what_simulated_errors_show(count, with_lens):
    rng = np.random.default_rng(20310211 + count)
    points = np.array([[0.2, 0.2], [2.0, 1.5], [3.8, 0.4], [1.0, 2.8]])
    squares = []
    for _ in range(40):
        truth, fit = simulated(rng, around(count), with_lens)
        u_mm = plan_uncertainty_m(fit, points, BAR_M) * 1000
        squares.append((plan_error_mm(fit, truth, points) / u_mm) ** 2)
    # The four points' errors hang together, so a mean of 40 × 4 squares has a spread of about 0.15.
    assert 0.65 < np.mean(squares) < 1.35


def test_one_of_six_moved_is_named_and_left_out():
    truth, markers = camera(), around(6)
    lies = [shifted(m, 0.012, -0.006) if m.id == 4 else m for m in markers]
    for lens in (truth.lens, None):
        fitted = fit_camera(seen(truth, lies), markers, SIZE, lens=lens, height_m=HEIGHT_M)
        assert fitted.fit.dropped == ("apriltag_36h11 4",)
        assert "13 mm" in " ".join(q.text for q in fitted.quality)
        assert plan_error_mm(fitted.fit, truth).max() < 1.0


def test_one_of_four_moved_is_noticed_and_widens_the_uncertainty():
    truth, markers = camera(), around(4)
    lies = [shifted(m, 0.015, 0.01) if m.id == 2 else m for m in markers]
    sound, doubtful = (
        fit_camera(seen(truth, here), markers, SIZE, lens=truth.lens, height_m=HEIGHT_M) for here in (markers, lies)
    )
    assert sound.quality == ()
    assert codes(doubtful) == [("marker-moved", "warning")]
    assert doubtful.fit.dropped == ()
    error_mm, u_mm = plan_error_mm(doubtful.fit, truth), plan_uncertainty_m(doubtful.fit, FLOOR, BAR_M) * 1000
    assert np.all(error_mm < 2 * u_mm)


def test_markers_within_their_tolerance_raise_no_remark():
    truth, markers = camera(), around(8)
    rng = np.random.default_rng(5)
    for _ in range(10):
        lies = [shifted(m, *rng.uniform(-0.002, 0.002, 2)) for m in markers]
        assert fit_camera(seen(truth, lies), markers, SIZE, lens=truth.lens, height_m=HEIGHT_M).quality == ()


@pytest.mark.parametrize("quarters", [1, 2, 3])
def test_a_marker_lying_a_quarter_further_is_used_and_noted(quarters):
    truth, markers = camera(), around(4)
    lies = [shifted(m, 0, 0, -90 * quarters) if m.id == 1 else m for m in markers]
    fitted = fit_camera(seen(truth, lies), markers, SIZE, lens=truth.lens)
    assert codes(fitted) == [("marker-moved", "note")]
    assert f"{90 * quarters}° further clockwise" in fitted.quality[0].text
    assert plan_error_mm(fitted.fit, truth).max() < 0.01


def test_markers_on_one_side_only_are_named():
    truth, markers = camera(), around(5)
    stranger = marker(99, 1.0, 1.0)
    found = seen(truth, [*markers[:3], stranger, markers[3], markers[3]])
    fitted = fit_camera(found, markers, SIZE, lens=truth.lens)
    text = " | ".join(f"{q.level} {q.text}" for q in fitted.quality)
    assert "warning marker apriltag_36h11 4 in the reference frame is not seen" in text
    assert "warning marker apriltag_36h11 3 in the reference frame is seen more than once" in text
    assert "warning marker apriltag_36h11 99 in the reference frame is seen, but not in the room file" in text
    assert len(fitted.fit.residuals) == 3


def test_too_few_markers_are_refused_with_their_names():
    truth, markers = camera(), around(4)
    with pytest.raises(Refused, match=r"2 of 4 markers.*36h11 0, .*36h11 1\); not seen.*36h11 2, .*pick corners"):
        fit_camera(seen(truth, markers[:2]), markers, SIZE, lens=truth.lens)
    with pytest.raises(BadInput, match=r"described: 2, corners picked by hand: 1.*3 markers"):
        fit_camera([], markers[:2], SIZE, corners=[PickedCorner((1, 1), (0, 0))])


def test_markers_on_one_line_are_refused():
    truth = camera()
    markers = [marker(i, 0.5 + i, 1.0) for i in range(4)]
    with pytest.raises(Refused, match="on one line"):
        fit_camera(seen(truth, markers), markers, SIZE, lens=truth.lens)


def test_exchanged_markers_are_refused():
    truth, markers = camera(), around(4)
    exchanged = [replace(m, id={0: 1, 1: 0}.get(m.id, m.id)) for m in markers]
    with pytest.raises(Refused, match=r"the markers (miss|do not fit)"):
        fit_camera(seen(truth, exchanged), markers, SIZE, lens=truth.lens)


def test_mirrored_markers_are_refused():
    truth, markers = camera(), around(3)
    exchanged = [replace(m, id={0: 2, 2: 0}.get(m.id, m.id)) for m in markers]
    with pytest.raises(Refused, match="appear mirrored"):
        fit_camera(seen(truth, exchanged), markers, SIZE, lens=truth.lens)


def test_a_lens_file_of_another_picture_size_is_refused():
    truth, markers = camera(), around(4)
    with pytest.raises(BadInput, match=r"900 × 700 pixels, not 640 × 480"):
        fit_camera(seen(truth, markers), markers, (640, 480), lens=truth.lens)


def test_picked_corners_alone_give_a_camera_that_is_known_less_well():
    truth, spots = camera(), [(0.1, 0.1), (3.9, 0.1), (3.9, 2.9), (0.1, 2.9), (2.0, 1.5)]
    pixels = truth.project([(*spot, 0.0) for spot in spots])
    corners = [PickedCorner(tuple(pixel), spot) for pixel, spot in zip(pixels, spots, strict=True)]
    picked = fit_camera([], [], SIZE, lens=truth.lens, height_m=HEIGHT_M, corners=corners)
    marked = fit_camera(seen(truth, around(4)), around(4), SIZE, lens=truth.lens, height_m=HEIGHT_M)
    assert plan_error_mm(picked.fit, truth).max() < 0.1
    u_picked, u_marked = (plan_uncertainty_m(f.fit, FLOOR, BAR_M).max() for f in (picked, marked))
    assert u_picked > 3 * u_marked
    assert uncertain_plan(picked.fit, FLOOR, BAR_M).code == "camera-uncertain"
    assert uncertain_plan(marked.fit, FLOOR, BAR_M) is None


def test_without_tape_lens_and_focal_length_the_height_is_said_to_be_unknown():
    truth, markers = camera(), around(4)
    found = seen(truth, markers)
    fitted = fit_camera(found, markers, SIZE)
    assert codes(fitted) == [("camera-uncertain", "warning")]
    assert "height_mm" in fitted.quality[0].text
    for known in ({"height_m": HEIGHT_M}, {"focal_px_prior": (truth.lens.matrix[0, 0], 20.0)}):
        assert fit_camera(found, markers, SIZE, **known).quality == ()


def test_markers_at_two_heights_tell_the_height_without_a_tape():
    truth = camera()
    markers = [replace(m, z_m=0.7 if m.id % 2 else 0.0) for m in around(6)]
    fitted = fit_camera(seen(truth, markers), markers, SIZE)
    assert fitted.quality == ()
    assert fitted.fit.camera.centre_m[2] == pytest.approx(HEIGHT_M, abs=0.02)


def test_a_tape_that_contradicts_lens_and_markers_is_remarked_on():
    truth, markers = camera(), around(4)
    fitted = fit_camera(seen(truth, markers), markers, SIZE, lens=truth.lens, height_m=HEIGHT_M + 0.1)
    assert codes(fitted) == [("camera-uncertain", "warning")]
    assert "tape height is +10" in fitted.quality[0].text


def test_the_35_mm_equivalent_counts_along_the_diagonal():
    # 36 × 24 mm film and a picture of the same shape: 24 mm on 6000 px of 36 mm is 4000 px.
    value, u = focal_prior_px(24.0, (6000, 4000))
    assert value == pytest.approx(4000)
    assert u == pytest.approx(200)


@pytest.mark.parametrize("with_lens", [True, False])
@pytest.mark.parametrize(
    "night", ["lanes", "bounce", "camera-look", "clipped", "faint", "pen", "series-bounce", "series-lanes"]
)
def test_rendered_nights_plan_at_bar_height_is_right(rendered, night, with_lens):
    folder = rendered / night
    truth = json.loads((folder / "truth.json").read_text())
    setup = tomllib.loads((folder / "night.toml").read_text())["camera"]
    shot = truth["camera"]
    size = tuple(shot["image_size"])
    lens = Lens(size, np.array(shot["K"]), np.array(shot["dist"]))
    true_camera = Camera(lens, np.array(shot["R"]), np.array(shot["t"]))
    features = json.loads((folder / "room.geojson").read_text())["features"]
    markers = [
        Marker(p["dictionary"], p["id"], tuple(f["geometry"]["coordinates"]), p["side_m"], p["turn_deg"])
        for f in features
        if (p := f["properties"])["role"] == "marker"
    ]
    fitted = fit_camera(
        find_markers(read_frame(folder / "reference.jpg").light, ["apriltag_36h11"]),
        markers,
        size,
        lens=lens if with_lens else None,
        height_m=setup["height_mm"] / 1000,
        height_tolerance_m=setup["height_tolerance_mm"] / 1000,
    )
    east, north = np.max(truth["room"]["polygon"], axis=0)
    points = np.stack(np.meshgrid(np.arange(0, east, 0.05), np.arange(0, north, 0.05)), axis=-1).reshape(-1, 2)
    error_mm = plan_error_mm(fitted.fit, true_camera, points, truth["bar"]["height_m"])
    assert error_mm.max() <= (2.0 if with_lens else 5.0)
    assert np.all(error_mm <= 3 * plan_uncertainty_m(fitted.fit, points, truth["bar"]["height_m"]) * 1000)


def test_rotation_parameters_round_trip_near_half_a_turn():
    truth, markers = camera(0.0, 0.0), around(4)
    fit = fit_camera(seen(truth, markers), markers, SIZE, lens=truth.lens).fit
    again = fit.with_parameters(fit.parameters)
    assert np.allclose(again.rotation, cv2.Rodrigues(fit.parameters[:3])[0])
    assert np.allclose(again.centre_m, fit.camera.centre_m)


def test_the_causes_of_the_covariance_add_up_and_the_tape_matters_only_without_a_lens_file():
    for lens_known in (True, False):
        _, fit = simulated(np.random.default_rng(3), around(4), lens_known)
        assert sum(fit.causes.values()) == pytest.approx(fit.covariance, rel=1e-9, abs=1e-15)
        for part in fit.causes.values():
            assert np.linalg.eigvalsh(part).min() > -1e-9 * np.trace(fit.covariance)
        tape = plan_moves_m(fit, fit.causes["tape"], FLOOR, BAR_M)
        worst_mm = 1000 * float(np.sqrt((tape**2).sum(axis=(0, 2))).max())
        assert worst_mm < 0.3 if lens_known else worst_mm > 0.3
