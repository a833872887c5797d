import json
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from stamped import BEGAN, series, stamp, taken, write_frame

from coverage_lab.frames.clock import frame_times
from coverage_lab.frames.stamps import Stamp, read_stamps
from coverage_lab.job import CameraSetup

SETUP = CameraSetup()


def codes(times):
    return [remark.code for remark in times.quality]


def text(times, code):
    return next(remark.text for remark in times.quality if remark.code == code)


@given(st.floats(2.0, 40.0), st.floats(0, 1), st.integers(20, 300))
def test_whole_second_stamps_give_the_period_to_milliseconds(period_s, phase_s, count):
    true_s = phase_s + period_s * np.arange(count)
    times = frame_times(series(true_s, exposure_s=0.9 * period_s), setup=SETUP)
    assert times.source == "frames"
    assert times.period_s == pytest.approx(period_s, abs=2.5 / count)
    off_s = np.array(times.start_s) - (true_s - true_s[0])
    assert np.abs(off_s).max() <= 1.0  # never outside what the stamps say
    assert times.end_s[3] - times.start_s[3] == pytest.approx(times.exposure_s, abs=0.05 * period_s)


def test_the_stated_uncertainty_of_a_start_is_that_of_many_series():
    rng = np.random.default_rng(4)
    ratios = []
    for _ in range(300):
        period_s, phase_s, count = rng.uniform(4, 35), rng.uniform(0, 1), rng.integers(12, 80)
        true_s = phase_s + period_s * np.arange(count)
        times = frame_times(series(true_s, exposure_s=None), setup=SETUP)
        ratios.append((times.start_s[-1] - (true_s[-1] - phase_s)) / times.u_s)
    assert 0.7 < np.std(ratios) < 1.2
    assert np.mean(np.abs(ratios) < 2) > 0.95


def test_sub_seconds_are_used():
    true_s = 8.1512 * np.arange(40)
    times = frame_times(series(true_s, digits=3), setup=SETUP)
    assert np.allclose(times.start_s, true_s, atol=0.001)
    assert times.u_s < 0.001


def test_a_fraction_that_never_changes_is_none():
    stamps = [replace(one, exif=replace(one.exif, taken=f"{one.taken}.00")) for one in series(8.15 * np.arange(40))]
    assert frame_times(stamps, setup=SETUP).period_s == pytest.approx(8.15, abs=0.02)


@pytest.mark.parametrize(
    ("marked_s", "period_s", "exposure_s"),
    [(30, 32.4, 32), (30, 31.0, 30), (15, 16.3, 16), (8, 8.3, 8), (7.7512, 8.15, 7.7512), (10, 10.5, 2 ** (10 / 3))],
)
def test_a_marked_exposure_is_the_exact_one_if_the_period_has_room_for_it(marked_s, period_s, exposure_s):
    times = frame_times(series(period_s * np.arange(30), exposure_s=marked_s), setup=SETUP)
    assert times.exposure_s == pytest.approx(exposure_s, abs=0.001)
    assert times.exposure_u_s == pytest.approx(abs(exposure_s - marked_s) / np.sqrt(3), abs=1e-6)


def test_lost_frames_and_pauses_are_named_and_keep_their_time():
    true_s = 8.15 * np.arange(40)
    stamps = series(true_s)
    del stamps[10:13]
    times = frame_times(stamps, setup=SETUP)
    assert codes(times) == ["frame-missing"]
    assert "3 missing between DSC_0110.jpg and DSC_0114.jpg (24 s)" in text(times, "frame-missing")
    assert times.start_s[-1] == pytest.approx(true_s[-1], abs=0.5)
    paused_s = np.where(np.arange(40) < 20, true_s, true_s + 61.3)
    times = frame_times(series(paused_s), setup=SETUP)
    assert "a pause between DSC_0120.jpg and DSC_0121.jpg (6" in text(times, "frame-missing")
    assert np.abs(np.array(times.start_s) - paused_s).max() < 1


def test_a_counter_that_wraps_is_followed(tmp_path):
    names = [f"DSC_{9985 + at if at < 15 else at - 14:04d}.jpg" for at in range(40)]
    written = [taken(BEGAN + timedelta(seconds=8.15 * at)) for at in range(40)]
    by_name = sorted(range(40), key=lambda at: names[at])
    times = frame_times([stamp(names[at], written[at]) for at in by_name], setup=SETUP)
    assert [by_name[at] for at in times.order] == list(range(40))
    assert codes(times) == []
    times = frame_times([stamp(names[at], None) for at in by_name], setup=SETUP)
    assert [by_name[at] for at in times.order] == list(range(40))  # by the names alone


def test_frames_out_of_order_are_put_right_and_named():
    stamps = series(8.15 * np.arange(40))
    swapped = [*stamps[:5], stamps[9], *stamps[5:9], *stamps[10:]]
    times = frame_times(swapped, setup=SETUP)
    assert [swapped[at].path for at in times.order] == [one.path for one in stamps]
    assert "DSC_0110.jpg" in text(times, "frame-order")
    assert "DSC_0107" not in text(times, "frame-order")


def test_a_second_copy_is_left_out_and_named(tmp_path):
    paths = [
        write_frame(tmp_path / f"{at:04d}.jpg", taken(BEGAN + timedelta(seconds=8.15 * at)), seed=at)
        for at in range(12)
    ]
    copy = tmp_path / "0005-copy.jpg"
    copy.write_bytes(paths[5].read_bytes())
    stamps = read_stamps([*paths[:6], copy, *paths[6:]])
    times = frame_times(stamps, setup=SETUP)
    assert [stamps[at].path for at in times.order] == paths
    assert "0005-copy.jpg (as 0005.jpg)" in text(times, "frame-twice")
    assert "frame-missing" not in codes(times)


def test_half_of_the_time_dark_is_told_with_advice():
    times = frame_times(series(64.3 * np.arange(20), exposure_s=30), setup=SETUP)
    assert "noise reduction off" in text(times, "half-time-lost")
    assert "50 %" in text(times, "half-time-lost")
    assert codes(frame_times(series(32.4 * np.arange(20), exposure_s=30), setup=SETUP)) == []


@pytest.mark.parametrize("hour_s", [3600, -3600])
def test_a_daylight_saving_jump_is_taken_out(hour_s):
    true_s = 8.15 * np.arange(40)
    times = frame_times(series(np.where(np.arange(40) < 17, true_s, true_s + hour_s)), setup=SETUP)
    assert np.abs(np.array(times.start_s) - true_s).max() < 0.6
    assert codes(times) == ["clock-jump"]
    assert "DSC_0118.jpg" in text(times, "clock-jump")


def test_with_offsets_from_utc_nothing_jumps():
    true_s = 8.15 * np.arange(40)
    stamps = [
        stamp(
            f"{at:04d}.jpg",
            taken(
                BEGAN + timedelta(seconds=float(s) + (3600 if at > 20 else 0)), offset="+02:00" if at > 20 else "+01:00"
            ),
        )
        for at, s in enumerate(true_s)
    ]
    times = frame_times(stamps, setup=SETUP)
    assert codes(times) == []
    assert np.abs(np.array(times.start_s) - true_s).max() < 0.6


def test_an_hour_without_frames_is_no_jump_where_the_zone_has_none_that_night():
    true_s = np.where(np.arange(40) < 17, 8.15 * np.arange(40), 8.15 * np.arange(40) + 3600)
    times = frame_times(series(true_s), setup=CameraSetup(timezone="Europe/Paris"))
    assert codes(times) == ["frame-missing"]
    assert times.start_s[-1] == pytest.approx(true_s[-1], abs=1)


def test_a_clock_set_in_mid_run_is_told_and_time_goes_on():
    true_s = 8.15 * np.arange(40)
    reset_s = np.where(np.arange(40) < 25, true_s, true_s - 11 * 365 * 86400)
    times = frame_times(series(reset_s), setup=SETUP)
    assert [*times.order] == list(range(40))
    assert "between DSC_0125.jpg and DSC_0126.jpg" in text(times, "clock-jump")
    assert np.abs(np.array(times.start_s) - true_s).max() < 1.1


def test_two_cameras_are_refused_by_name():
    stamps = series(8.15 * np.arange(10))
    stamps[4] = stamp("DSC_0105.jpg", stamps[4].taken, camera="Finch 2")
    (remark,) = frame_times(stamps, setup=SETUP).quality
    assert (remark.code, remark.level) == ("cameras-mixed", "refused")
    assert "Finch 2 in DSC_0105.jpg" in remark.text


def test_dates_in_another_form_are_read_or_named():
    stamps = series(8.15 * np.arange(10))
    iso = [replace(one, exif=replace(one.exif, taken=one.taken.replace(":", "-", 2))) for one in stamps]
    assert frame_times(iso, setup=SETUP).start_s == frame_times(stamps, setup=SETUP).start_s
    stamps[3] = stamp("DSC_0104.jpg", "11/02/2031 21:14:29")
    times = frame_times(stamps, setup=SETUP)
    assert '"11/02/2031 21:14:29" in DSC_0104.jpg' in text(times, "clock-unknown")
    assert times.start_s[3] == pytest.approx(3 * 8.15, abs=0.6)


def test_without_dates_the_sheets_time_is_shared_out_and_else_none_is_given():
    stamps = [stamp(f"{at}.jpg", "0000:00:00 00:00:00", exposure_s=None) for at in range(10)]
    times = frame_times(stamps, setup=SETUP, sheet_s=600, sheet_u_s=25)
    assert (times.source, times.period_s, times.start_s[9], times.u_s) == ("sheet", 60, 540, 25)
    times = frame_times(stamps, setup=SETUP)
    assert times.source == "order"
    assert codes(times) == ["clock-unknown"]
    assert all(np.isnan([*times.start_s, *times.end_s, times.period_s, times.u_s]))


def test_began_is_on_the_labs_wall_clock():
    offset = [stamp("1.jpg", "2031:02:11 20:14:05+00:00"), stamp("2.jpg", "2031:02:11 20:14:13+00:00")]
    times = frame_times(offset, setup=CameraSetup(clock_offset_s=-65.0, timezone="Europe/Paris"))
    assert abs((times.began - (BEGAN - timedelta(seconds=65))).total_seconds()) <= 1


def test_a_file_that_is_no_picture_keeps_its_place(tmp_path):
    paths = [
        write_frame(tmp_path / f"{at}.jpg", taken(BEGAN + timedelta(seconds=8.15 * at)), seed=at) for at in range(9)
    ]
    paths[4].write_bytes(b"\xff\xd8\xff torn")
    stamps = read_stamps(paths)
    assert stamps[4] == Stamp(paths[4], None)
    assert frame_times(stamps, setup=SETUP).start_s[4] == pytest.approx(4 * 8.15, abs=0.6)


def test_rendered_series_have_their_true_times(rendered):
    for name in ("series-lanes", "series-bounce"):
        frames = sorted((rendered / name / "heron-1").glob("*.jpg"))
        times = frame_times(read_stamps(frames), setup=SETUP)
        true = json.loads((rendered / name / "truth.json").read_text())["timing"]["frames"]
        assert np.allclose(times.start_s, [one["start_s"] for one in true], atol=0.003)
        assert np.allclose(times.end_s, [one["end_s"] for one in true], atol=0.006)
        assert codes(times) == []
