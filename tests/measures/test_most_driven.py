"""The places that were driven over most often: laid out by hand, and on rendered series whose poses are known."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import shapely
from shapely import box
from test_rendered_series import whole

from coverage_lab.job import Bar
from coverage_lab.measures.most_driven import most_driven
from coverage_lab.measures.values import MostDriven
from coverage_lab.room.grid import FloorGrid
from coverage_lab.simulate.growth import between, swept_part, visit_counts

NOZZLE_M = 0.2
GRID = FloorGrid.over(box(0, 0, 3, 2), 0.005)


def visited(*areas: tuple[shapely.Polygon, int]) -> np.ndarray:
    """Visits (rows, cols): one everywhere in the room, more in some areas."""
    visits = (GRID.weights(box(0, 0, 3, 2)) > 0.5).astype(np.uint8)
    for area, count in areas:
        visits[GRID.weights(area) > 0.5] = count
    return visits


def found(visits: np.ndarray) -> tuple[MostDriven, ...]:
    return most_driven(visits, (visits > 0).astype(np.float32), GRID.weights(box(0, 0, 3, 2)), GRID, NOZZLE_M)


def test_two_places_by_hand():
    six, seven = box(0.5, 0.5, 0.9, 0.8), shapely.Point(2.2, 1.3).buffer(0.15)
    first, second = found(visited((six, 6), (seven, 7)))
    assert first.pole_m == pytest.approx((2.2, 1.3), abs=0.006)
    assert first.diameter_mm == pytest.approx(300, abs=12)
    assert (first.visits, second.visits) == (7, 6)
    for place, area in ((first, seven), (second, six)):
        low, high = place.area_cm2.interval_95
        assert low <= 1e4 * area.area <= high
        assert place.area_cm2.value == pytest.approx(1e4 * area.area, rel=0.02)
        u_cm2 = 1e4 * 0.004 * area.length  # contours run through cell centres, and round corners
        assert place.area_cm2.u == pytest.approx(u_cm2, rel=0.1)
    assert six.contains(shapely.Point(second.pole_m))


def test_the_pole_lies_inside_a_bent_place():
    bend = box(1, 0.3, 2, 0.5) | box(1, 0.3, 1.2, 1.5)
    (place,) = found(visited((bend, 5)))
    assert bend.contains(shapely.Point(place.pole_m))


def test_what_lanes_overlap_everywhere_is_no_place():
    assert found(visited((box(0, 0.5, 3, 1.5), 2))) == ()
    assert found(visited()) == ()


def test_slivers_and_specks_are_no_places():
    strips = [(box(0.1, 0.1 + 0.1 * at, 2.9, 0.13 + 0.1 * at), 6) for at in range(10)]
    assert found(visited(*strips)) == ()
    assert [place.visits for place in found(visited(*strips, (box(2, 1.4, 2.3, 1.7), 6)))] == [6]


def test_at_most_five_are_told_the_most_visited_first():
    squares = [(box(0.1 + 0.4 * at, 1, 0.4 + 0.4 * at, 1.3), 5 + at) for at in range(7)]
    visits = visited(*squares)
    assert [place.visits for place in found(visits)] == [11, 10, 9, 8, 7][: len(found(visits))]
    assert len(found(visited(*[(square, 9) for square, _ in squares]))) == 5


@pytest.mark.parametrize("name", ("series-lanes", "series-bounce"))
def test_places_of_rendered_series(rendered: Path, name: str):
    """Against the visits that the poses say, frame by frame."""
    run, truth = whole(rendered / name)
    told = truth["bar"]
    bar = Bar(told["length_m"], told["led_count"], told["length_m"], told["height_m"], 0.0, told["forward_offset_m"])
    poses = np.load(rendered / name / "poses.npz")["poses"][::4]
    spans_s = [(frame["start_s"], frame["end_s"]) for frame in truth["timing"]["frames"]]
    visible = shapely.from_wkt(truth["truth"]["free_floor_wkt"])
    grid = FloorGrid.over(visible, 0.004)
    counts = visit_counts([swept_part(between(poses, *span_s), bar) for span_s in spans_s], grid).astype(np.uint8)
    true = most_driven(counts, (counts > 0).astype(np.float32), grid.weights(visible), grid, bar.nozzle_m)
    passes = run.measures.passes
    assert passes is not None and passes.most_driven
    assert passes.most_driven[0].pole_m == pytest.approx(true[0].pole_m, abs=0.02)
    assert passes.most_driven[0].visits == pytest.approx(true[0].visits, abs=0.2)
    low, high = passes.most_driven[0].area_cm2.interval_95
    assert low <= true[0].area_cm2.value <= high
    for place in passes.most_driven[:2]:
        assert min(np.hypot(*np.subtract(place.pole_m, other.pole_m)) for other in true) < 0.05
