import subprocess
from dataclasses import replace
from io import BytesIO

import numpy as np
import pytest
import shapely
from PIL import Image, ImageSequence

from coverage_lab.room.grid import FloorGrid
from coverage_lab.show.film import gif_bytes, mp4_bytes
from coverage_lab.show.growth import draw_growth
from coverage_lab.show.intime import Growth, RunInTime, Touch
from coverage_lab.show.series import small_gif
from coverage_lab.show.timelapse import HEAD_PX, HOLD_S, STEP_S, WIDTH_PX, Timelapse, clock

FLOOR = shapely.box(0, 0, 3, 2)
CHEST = shapely.box(0.2, 1.5, 0.8, 1.9)


def crossing(count: int = 10, wide_m: float = 3.0) -> RunInTime:
    """A strip 1 m wide through the room's middle, swept from west to east in equal frames of 30 s."""
    floor = shapely.box(0, 0, wide_m, 2)
    grid = FloorGrid.over(floor, 0.01, 0.05)
    frame = np.zeros(grid.shape, np.uint16)
    swept = grid.weights(shapely.box(0, 0.5, wide_m, 1.5))
    x_m = grid.to_floor(np.indices(grid.shape).transpose(1, 2, 0))[..., 0]
    frame[swept > 0] = (np.clip(x_m / wide_m * count, 0, count - 1).astype(np.uint16) + 1)[swept > 0]
    numbers = np.arange(1, count + 1)
    growth = Growth(30.0 * numbers, 50.0 * numbers / count, np.full(count, 0.2), floor.area, {"50": 30.0 * count})
    none = np.zeros(grid.shape, np.float32)
    return RunInTime("2031-02-11/heron-1", grid, grid.weights(floor), none, swept, frame, (CHEST,), growth)


def lit(film: Timelapse, frames: float, x_m: float, y_m: float) -> float:
    """Lightness of the picture after so many frames at a place of the floor."""
    column, row = film.scale.to_px((x_m, y_m)).round().astype(int)
    left = (WIDTH_PX - film.scale.size[0]) // 2
    return float(film.picture(frames)[HEAD_PX + row, left + column].mean())


def test_floor_appears_in_the_frame_that_swept_it_and_cools():
    film = Timelapse.of(crossing())
    bare = lit(film, 5, 1.5, 0.25)
    assert [lit(film, 5, x_m, 1.0) > bare + 20 for x_m in (0.15, 1.35, 1.65, 2.8)] == [True, True, False, False]
    assert lit(film, 5, 1.35, 1.0) > lit(film, 5, 0.15, 1.0) + 30  # the youngest is the brightest
    assert lit(film, 5.5, 1.65, 1.0) > bare + 20  # half of frame 6 is faded in
    assert lit(film, 5.2, 1.65, 1.0) < lit(film, 5.6, 1.65, 1.0) < lit(film, 6, 1.65, 1.0)


def test_the_last_picture_says_when_floor_was_swept():
    film = Timelapse.of(crossing())
    along = [lit(film, 10, x_m, 1.0) for x_m in (0.15, 0.9, 1.8, 2.8)]
    assert along == sorted(along)
    assert along[-1] > along[0] + 60


def test_a_decoy_is_ringed_from_the_frame_on_in_which_it_was_touched():
    puck = shapely.Point(2.0, 0.25).buffer(0.06)
    still = crossing()
    film = Timelapse.of(replace(still, furniture=(CHEST, puck), touches=(Touch("puck", puck, 100.0),)))
    before, after = film.picture(3.0), film.picture(4.0)
    plain = Timelapse.of(replace(still, furniture=(CHEST, puck)))
    assert np.array_equal(before, plain.picture(3.0))  # 90 s
    orange = (np.abs(after.astype(int) - (240, 150, 60)).max(axis=2) < 12).nonzero()
    assert len(orange[0]) > 100
    column, row = film.scale.to_px((2.0, 0.25)).round().astype(int)
    left = (WIDTH_PX - film.scale.size[0]) // 2
    away = np.hypot(orange[0] - HEAD_PX - row, orange[1] - left - column)
    assert ((away > 12) & (away < 40)).sum() > 60  # around it, not on it
    assert (away <= 12).sum() == 0


def test_floor_that_was_not_swept_and_furniture_never_change():
    film = Timelapse.of(crossing())
    for place in ((1.5, 0.25), (0.5, 1.7)):
        assert len({lit(film, frames, *place) for frames in (0.3, 4, 10)}) == 1


def test_hidden_floor_stays_hatched_whatever_it_was_taken_for():
    run = crossing()
    behind = run.grid.weights(shapely.box(1.2, 0.8, 1.8, 1.2))
    film = Timelapse.of(replace(run, hidden=behind))
    assert len({lit(film, frames, 1.5, 1.0) for frames in (0.3, 6, 10)}) == 1
    assert lit(film, 10, 0.6, 1.0) > lit(film, 10, 1.5, 1.0) + 20


@pytest.mark.parametrize(("count", "pictures"), [(1, 132), (10, 130), (40, 120), (132, 132), (240, 132), (900, 132)])
def test_the_film_lasts_10_to_15_seconds_whatever_the_run(count, pictures):
    run = crossing(10)
    numbers = np.arange(1, count + 1)
    growth = Growth(30.0 * numbers, 50.0 * numbers / count, np.full(count, 0.2), 6.0, {})
    shown = Timelapse.of(replace(run, growth=growth)).frames_shown()
    assert len(shown) == pictures
    assert 10 <= pictures * STEP_S + HOLD_S <= 15
    assert shown[-1] == count
    assert np.all(np.diff(shown) > 0)


def test_sizes_are_even_and_long_rooms_stay_on_the_sheet():
    for wide_m in (0.7, 3.0, 7.3, 12.0):
        run = crossing(3, wide_m)
        film = Timelapse.of(run)
        assert film.picture(3).shape == (film.size[1], film.size[0], 3)
        assert film.size[0] % 2 == film.size[1] % 2 == 0
        assert film.scale.size[0] <= WIDTH_PX


def test_a_run_without_frames_has_no_film():
    none = Growth(np.empty(0), np.empty(0), np.empty(0), 6.0, {})
    with pytest.raises(ValueError, match="no timelapse"):
        Timelapse.of(replace(crossing(), growth=none))


@pytest.fixture(scope="module")
def pictures():
    film = Timelapse.of(crossing())
    return [film.picture(float(frames)) for frames in np.linspace(0.5, 10, 20)]


def test_the_gif_holds_one_palette_and_plays_as_long_as_it_should(pictures):
    content = gif_bytes(pictures, 1 / 12, 2.0)
    with Image.open(BytesIO(content)) as film:
        frames = [
            (one.info["duration"], np.asarray(one.convert("RGB")), one.getpalette())
            for one in ImageSequence.Iterator(film)
        ]
        assert film.info["loop"] == 0
    assert len(frames) == 20
    assert sum(ms for ms, _, _ in frames) == pytest.approx(1000 * (19 / 12 + 2), abs=15)
    corner = {tuple(picture[400, 30]) for _, picture, _ in frames}  # what does not move keeps its colour
    assert len(corner) == 1
    for (_, shown, _), drawn in zip(frames, pictures, strict=True):
        assert np.abs(shown.astype(int) - drawn).mean() < 2.5


def test_a_gif_that_is_too_large_shows_fewer_pictures_for_longer(pictures):
    def shape(content):
        with Image.open(BytesIO(content)) as film:
            lasts_ms = [one.info["duration"] for one in ImageSequence.Iterator(film)]
            return len(lasts_ms), sum(lasts_ms), np.asarray(film.convert("RGB"))

    whole = small_gif(pictures)
    small = small_gif(pictures, len(whole) * 2 // 3)
    assert len(small) < len(whole) * 2 // 3
    (many, long_ms, last), (few, also_ms, end) = shape(whole), shape(small)
    assert few < many
    assert also_ms == pytest.approx(long_ms, abs=200)
    assert np.abs(end.astype(int) - last).mean() < 1.5


def test_the_mp4_is_what_browsers_play(pictures, tmp_path):
    from imageio_ffmpeg import get_ffmpeg_exe

    height, width = pictures[0].shape[:2]
    content = mp4_bytes(pictures, (width, height), 1 / 12, 2.0)
    assert content.index(b"moov") < content.index(b"mdat")  # the index first, so that it plays while it loads
    path = tmp_path / "film.mp4"
    path.write_bytes(content)
    said = subprocess.run([get_ffmpeg_exe(), "-i", str(path)], capture_output=True, text=True).stderr
    assert "h264" in said
    assert "yuv420p" in said
    assert f"{width}x{height}" in said
    assert "Duration: 00:00:03.6" in said


def test_ffmpegs_own_words_come_through():
    with pytest.raises(OSError, match="ffmpeg: "):
        mp4_bytes([np.zeros((10, 11, 3), np.uint8)], (11, 10), 1 / 12, 0)  # odd


def test_the_rate_is_new_floor_since_the_frame_before():
    growth = Growth(np.array([10.0, 20.0, 30.0]), np.array([40.0, 60.0, 60.0]), np.full(3, 0.1), 10.0, {})
    assert growth.rate_m2_min == pytest.approx([24, 12, 0])


def test_the_chart_is_a_picture_of_its_numbers():
    growth = crossing().growth
    first = draw_growth("2031-02-11/heron-1", growth)
    assert first == draw_growth("2031-02-11/heron-1", growth)
    with Image.open(BytesIO(first)) as chart:
        assert chart.size == (1400, 1008)
    assert first != draw_growth("2031-02-11/heron-1", replace(growth, percent=growth.percent * 0.9))
    draw_growth("cost $5 or $6?", growth)  # no formula in a name


@pytest.mark.parametrize("t_s", [np.empty(0), np.full(3, np.nan)])
def test_no_chart_is_drawn_without_times(t_s):
    with pytest.raises(ValueError, match="no growth chart"):
        draw_growth("x", Growth(t_s, np.zeros(len(t_s)), np.zeros(len(t_s)), 6.0, {}))


def test_clocks_show_hours_only_from_one_on():
    shown = {0: "0:00", 59.6: "1:00", 3599: "59:59", 3600: "1:00:00", 5025: "1:23:45"}
    assert {seconds: clock(seconds) for seconds in shown} == shown
