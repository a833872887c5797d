"""Lanes score high, bouncing low, worse driving lower, and nothing else changes the score.

Where many drives are needed they are scored from their tracks, which is quicker than painting them.
"""

import json

import cv2
import numpy as np
import pytest
import shapely
from shapely.affinity import rotate, scale

from coverage_lab.camera.model import Camera, Lens
from coverage_lab.job import Bar
from coverage_lab.measures.pattern import RandomBaseline, measure_pattern, random_baseline
from coverage_lab.room.field import field_of_track
from coverage_lab.room.grid import FloorGrid
from coverage_lab.trails.orientation import travel_field
from tests import scenes
from tests.rendered_nights import load
from tests.scenes import BAR, BODY_M, FURNISHED, ROOM, TUBE

CENTRE = (2.0, 1.6)


def floors(area, bar=BAR):
    allowed = area.buffer(-BODY_M / 2)
    return allowed.buffer(bar.nozzle_m / 2), allowed


def score_exposures(area, drives, levels, *, bar=BAR, cell_m=0.002):
    """The patterns of drives as a camera would see them at several exposures, 1 = full scale."""
    grid = FloorGrid.over(area, cell_m)
    reachable, allowed = floors(area, bar)
    light, swept = scenes.paint(drives, grid, bar=bar, level=1.0, clip=np.inf)
    baseline, within = random_baseline(reachable, allowed, bar), grid.weights(reachable)
    fields = (travel_field(np.minimum(level * light, 1), swept, within, grid, bar) for level in levels)
    return [measure_pattern(field, bar, baseline) for field in fields]


def score_picture(area, drives, **how):
    return score_exposures(area, drives, [0.25], **how)[0]


def score_track(area, drives):
    """The pattern of a single drive, straight from its track."""
    reachable, allowed = floors(area)
    field = field_of_track(np.concatenate(drives)[::3], BAR, reachable)
    return measure_pattern(field, BAR, random_baseline(reachable, allowed, BAR))


def turned(area, drives, angle_deg):
    cos, sin = np.cos(np.deg2rad(angle_deg)), np.sin(np.deg2rad(angle_deg))
    poses = []
    for drive in drives:
        xy = (drive[:, :2] - CENTRE) @ np.array([[cos, sin], [-sin, cos]]) + CENTRE
        poses.append(np.column_stack([xy, drive[:, 2] + np.deg2rad(angle_deg)]))
    return rotate(area, angle_deg, origin=CENTRE), poses


def mirrored(area, drives):
    flipped = [np.column_stack([4 - d[:, 0], d[:, 1], np.pi - d[:, 2]]) for d in drives]
    return scale(area, -1, 1, origin=CENTRE), flipped


@pytest.mark.parametrize("bar", [BAR, TUBE], ids=["leds", "tube"])
@pytest.mark.parametrize("spacing_m", [0.18, 0.219, 0.25])
def test_perfect_lanes(bar, spacing_m):
    pattern = score_picture(ROOM, scenes.lanes(ROOM, spacing_m=spacing_m), bar=bar)
    assert pattern.score.value >= 85 and pattern.label == "lanes"
    low, high = pattern.score.interval_95
    assert 0 < pattern.score.u < 5 and low < pattern.score.value < high
    assert 100 * np.prod([pattern.alignment, pattern.spacing, pattern.straightness]) ** (1 / 3) == pytest.approx(
        pattern.score.value
    )


def test_lanes_with_laps_in_a_furnished_room():
    pattern = score_picture(FURNISHED, scenes.laps(FURNISHED) + scenes.lanes(FURNISHED))
    assert pattern.score.value > 70 and pattern.label == "lanes"


@pytest.mark.parametrize("seed", range(2))
@pytest.mark.parametrize("bar", [BAR, TUBE], ids=["leds", "tube"])
def test_bouncing_scores_low_also_where_it_is_clipped(bar, seed):
    for pattern in score_exposures(FURNISHED, scenes.bounce(FURNISHED, seed=seed), [0.1, 0.5], bar=bar):
        assert pattern.score.value <= 20 and pattern.label == "random"


def test_bouncing_scores_low_for_many_drives():
    """A short drive (twice the floor) may by chance run one way; a long one never does."""
    short = [score_track(ROOM, scenes.bounce(ROOM, seed=seed)).score.value for seed in range(20)]
    assert np.mean(short) < 8 and np.quantile(short, 0.9) <= 20 and max(short) < 25
    long = [score_track(ROOM, scenes.bounce(ROOM, seed=seed, length_m=200)).score.value for seed in range(6)]
    assert max(long) <= 15


def test_score_falls_steadily_as_headings_get_worse():
    means = []
    for jitter_deg in (0, 2, 5, 10, 20, 45):
        drives = [scenes.lanes(ROOM, jitter_deg=jitter_deg, seed=seed) for seed in range(20 if jitter_deg else 1)]
        means.append(np.mean([score_track(ROOM, drive).score.value for drive in drives]))
    assert means[0] >= 85
    assert (np.diff(means) < -3).all(), means


def test_score_falls_steadily_as_lanes_get_crooked():
    drives = [scenes.wander(ROOM, jitter_deg=j) if j else scenes.lanes(ROOM) for j in (0, 5, 10, 20, 45)]
    scores = [score_picture(ROOM, drive).score.value for drive in drives]
    assert (np.diff(scores) < -3).all(), scores


WORSE = {
    "laps and lanes": (FURNISHED, scenes.laps(FURNISHED) + scenes.lanes(FURNISHED)),
    "jitter": (ROOM, scenes.lanes(ROOM, jitter_deg=5)),
}


@pytest.mark.parametrize("name", WORSE)
def test_same_score_however_it_is_turned_scaled_and_exposed(name):
    area, drives = WORSE[name]
    usual, half, double = score_exposures(area, drives, [0.25, 0.125, 0.5])
    other = {"half exposure": half, "double exposure": double}
    other |= {f"{a} deg": score_picture(*turned(area, drives, a)) for a in (17, 135)}
    other["mirror"] = score_picture(*mirrored(area, drives))
    other["half resolution"] = score_picture(area, drives, cell_m=0.004)
    if name == "jitter":  # once is enough, it is slow
        other["double resolution"] = score_picture(area, drives, cell_m=0.001)
    off = {how: pattern.score.value - usual.score.value for how, pattern in other.items()}
    assert max(map(abs, off.values())) <= 3, off


@pytest.mark.parametrize("bar", [BAR, TUBE], ids=["leds", "tube"])
@pytest.mark.parametrize(
    ("label", "area", "drives"),
    [
        ("crossed lanes", FURNISHED, scenes.lanes(FURNISHED) + scenes.lanes(FURNISHED, axis_deg=90)),
        ("contour", ROOM, scenes.laps(ROOM, count=7)),
        ("spiral", ROOM, scenes.spiral(ROOM)),
        ("lanes", ROOM, scenes.lanes(ROOM, axis_deg=30)),
    ],
)
def test_labels(label, area, drives, bar):
    assert score_picture(area, drives, bar=bar).label == label


def test_skipped_lanes_cost_spacing_and_nothing_else():
    whole, skipped = (score_picture(ROOM, scenes.lanes(ROOM, skip=skip)) for skip in ((), (3, 8)))
    assert skipped.spacing < whole.spacing - 0.15
    assert skipped.alignment == pytest.approx(whole.alignment, abs=0.05)
    assert skipped.straightness == pytest.approx(whole.straightness, abs=0.05)


def test_nothing_readable_gives_no_pattern():
    grid = FloorGrid.over(ROOM, 0.004)
    reachable, allowed = floors(ROOM)
    white = np.ones(grid.shape, np.float32)
    field = travel_field(white, white, grid.weights(reachable), grid, BAR)
    assert measure_pattern(field, BAR, random_baseline(reachable, allowed, BAR)) is None


def test_baseline_does_not_depend_on_how_the_room_lies():
    parts = [random_baseline(*floors(area), BAR).parts for area in (FURNISHED, scale(rotate(FURNISHED, 40), 1, -1))]
    np.testing.assert_allclose(*parts, atol=1e-6)
    assert ((parts[0] > 0.05) & (parts[0] < 0.5)).all()


def test_a_doubtful_baseline_makes_the_score_doubtful():
    field = field_of_track(np.concatenate(scenes.lanes(ROOM)), BAR, floors(ROOM)[0])
    zero = np.full(3, 0.2)
    sure, doubtful = (measure_pattern(field, BAR, RandomBaseline(zero, np.full(3, u))) for u in (0.0, 0.5))
    assert doubtful.score.u > sure.score.u


NIGHTS = {"lanes": "lanes", "clipped": "lanes", "pen": "lanes", "bounce": "random", "camera-look": "random"}


@pytest.mark.parametrize("name", NIGHTS)
def test_rendered_nights(rendered, name):
    night = load(rendered / name)
    truth = json.loads((rendered / name / "truth.json").read_text())
    light, bar = plan_view(rendered / name, truth, night.plan.grid), bar_of(truth["bar"])
    plan = night.plan
    within = np.minimum(plan.reachable_share, plan.visible_share)
    field = travel_field(light, night.swept_share, within, plan.grid, bar)
    pattern = measure_pattern(field, bar, random_baseline(plan.reachable, plan.poses, bar))
    assert pattern.label == NIGHTS[name]
    assert pattern.score.value >= 65 if pattern.label == "lanes" else pattern.score.value <= 20


def bar_of(facts) -> Bar:
    lit_m = facts["led_pitch_m"] * (facts["led_count"] - 1)
    return Bar(facts["length_m"], facts["led_count"], lit_m, facts["height_m"], 0.002, facts["forward_offset_m"])


def plan_view(folder, truth, grid):
    """The exposure in plan view by the true camera: each cell's centre at bar height, looked up in the frame."""
    facts = truth["camera"]
    lens = Lens(tuple(facts["image_size"]), np.array(facts["K"]), np.array(facts["dist"]))
    camera = Camera(lens, np.array(facts["R"]), np.array(facts["t"]))
    coarse = np.stack(np.meshgrid(np.r_[0 : grid.rows : 20], np.r_[0 : grid.cols : 20], indexing="ij"), axis=-1)
    floor = grid.to_floor(coarse).reshape(-1, 2)
    pixel = camera.project(np.column_stack([floor, np.full(len(floor), truth["bar"]["height_m"])]))
    row, col = np.mgrid[: grid.rows, : grid.cols].astype(np.float32) / 20
    pixel = pixel.reshape(*coarse.shape[:2], 2).astype(np.float32)
    pixel = cv2.remap(pixel, col, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    frame = cv2.imread(str(folder / "heron-1.jpg"), cv2.IMREAD_GRAYSCALE).astype(np.float32) / 255
    linear = np.where(frame <= 0.04045, frame / 12.92, ((frame + 0.055) / 1.055) ** 2.4).astype(np.float32)
    light = cv2.remap(linear, pixel[..., 0], pixel[..., 1], cv2.INTER_LINEAR)
    return np.maximum(light - np.percentile(light, 5), 0)


def test_largest_part_of_a_divided_room_is_driven():
    parts = shapely.MultiPolygon([shapely.box(0, 0, 0.3, 0.3), *shapely.get_parts(ROOM.buffer(-0.5))])
    assert (random_baseline(parts.buffer(0.1), parts, BAR).parts > 0).all()
