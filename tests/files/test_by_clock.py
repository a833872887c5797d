"""Frames chosen by the run sheet's start and end, from the dates that the camera wrote."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import pytest
from file_samples import only_refusal
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from coverage_lab.errors import BadInput
from coverage_lab.files.by_clock import span_of
from coverage_lab.files.night import read_night
from coverage_lab.files.sheet import read_runs, read_runs_so_far
from coverage_lab.job import Run

FIRST = datetime(2031, 2, 11, 23, 50, 0)


def shoot(night: Path, name: str, moment: datetime | None) -> None:
    """Write a picture as a camera does, with its date in the Exif IFD (CIPA DC-008: 0x8769, 0x9003)."""
    exif = Image.Exif()
    if moment is not None:
        exif.get_ifd(0x8769)[0x9003] = f"{moment:%Y:%m:%d %H:%M:%S}"
    (night / name).parent.mkdir(exist_ok=True)
    Image.new("L", (8, 8)).save(night / name, exif=exif)


@pytest.fixture
def shot(night: Path) -> Path:
    """Forty frames, one a minute, over midnight, in two camera folders."""
    (night / "heron-1.jpg").unlink()
    for number in range(40):
        folder = "100CAMRA" if number < 25 else "101CAMRA"
        shoot(night, f"{folder}/DSC_{number:04d}.jpg", FIRST + timedelta(minutes=number))
    return night


def runs(night: Path, *rows: str) -> tuple[Run, ...]:
    (night / "runs.csv").write_text("\n".join(["run,frames,start,end", *rows, ""]), encoding="utf-8")
    return read_runs(read_night(night))


def numbers(run: Run) -> list[int]:
    return [int(frame.stem[-4:]) for frame in run.frames]


def test_frames_between_start_and_end_over_midnight_and_over_folders(shot: Path):
    one, two, three = runs(shot, "heron-1,,23:50:00,23:59:00", "heron-2,,23:59:30,00:16", "heron-3,,00:16:30,00:29:59")
    assert numbers(one) == list(range(10))
    assert numbers(two) == list(range(10, 27))  # 00:16 is its whole minute
    assert numbers(three) == list(range(27, 40))
    assert {frame.parent.name for frame in two.frames} == {"100CAMRA", "101CAMRA"}
    assert one.duration_s == 540


def test_with_dates(shot: Path):
    (one,) = runs(shot, "heron-1,,2031-02-11 23:58:00,2031-02-12T00:02:00")
    assert numbers(one) == [8, 9, 10, 11, 12]
    (one,) = runs(shot, "heron-1,,2031-02-11 23:58:00,00:02:00")
    assert numbers(one) == [8, 9, 10, 11, 12]


def test_the_camera_s_clock_is_put_right(shot: Path):
    """It is 30 s slow: what it calls 23:52:00 was 23:52:30."""
    with (shot / "night.toml").open("a", encoding="utf-8") as text:
        text.write("[camera]\nclock_offset_s = 30\n")
    (one,) = runs(shot, "heron-1,,23:52:00,23:54:00")
    assert numbers(one) == [2, 3]


def test_pictures_without_a_date_and_the_night_s_own_are_left_out(shot: Path):
    shoot(shot, "100CAMRA/DSC_0005.jpg", None)
    shoot(shot, "reference.jpg", FIRST + timedelta(minutes=6))
    (one,) = runs(shot, "heron-1,,23:54:00,23:57:00")
    assert numbers(one) == [4, 6, 7]


def test_named_frames_come_first_and_times_then_say_the_duration(shot: Path):
    (one,) = runs(shot, "heron-1,DSC_0003..DSC_0005,23:50:00,00:20:00")
    assert numbers(one) == [3, 4, 5]
    assert one.duration_s == 1800
    (one,) = runs(shot, "heron-1,DSC_0003..DSC_0005,23:50:00,")
    assert one.duration_s is None


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("heron-1,,23:50:00,", ["row 2, column start", "a start but no end", "Write both"]),
        ("heron-1,,half past nine,23:59", ["row 2, column start", '"half past nine" is no time', "21:05:30"]),
        ("heron-1,,25:00,26:00", ["row 2, column start", '"25:00" is no time']),
        ("heron-1,,2031-02-12 00:10,2031-02-11 23:00", ["row 2, column start", "is before the start"]),
        ("heron-1,,23:00,2031-02-12 00:10", ["row 2, column start", "has a date and"]),
        ("heron-1,,20:00,20:30", ["row 2, column frames", "from 2031-02-11 23:50:00 to 00:29:00", "clock_offset_s"]),
    ],
)
def test_times_that_make_no_sense(shot: Path, row: str, words: list[str]):
    only_refusal(lambda: runs(shot, row), "runs.csv", *words)


def test_a_frame_of_two_spans_is_told(shot: Path):
    with pytest.raises(BadInput, match=r"row 3, column frames: .* is already a frame of heron-1"):
        runs(shot, "heron-1,,23:50:00,23:59:00", "heron-2,,23:59:00,00:05:00")


def test_no_picture_with_a_date(night: Path):
    shoot(night, "heron-1.jpg", None)
    only_refusal(lambda: runs(night, "heron-1,,22:10,22:40"), "column frames", "no picture of the night carries a date")


def test_pictures_of_several_days_want_dates(shot: Path):
    shoot(shot, "102CAMRA/DSC_0040.jpg", FIRST + timedelta(days=1))
    words = ("more than one day", "Write them like 2031-02-11 23:50:00")
    only_refusal(lambda: runs(shot, "heron-1,,23:52:00,23:54:00"), *words)
    (one,) = runs(shot, "heron-1,,2031-02-11 23:52:00,2031-02-11 23:54:00")
    assert numbers(one) == [2, 3, 4]


def test_a_run_is_closed_by_a_picture_after_its_end(shot: Path):
    rows = ["run,frames,start,end", "heron-1,,00:10:00,00:20:00", "heron-2,,00:21:00,00:29:00", ""]
    (shot / "runs.csv").write_text("\n".join(rows), encoding="utf-8")
    assert read_runs_so_far(read_night(shot)).closed == {"heron-1"}


SECONDS = st.integers(0, 24 * 3600 - 1)


@given(SECONDS, st.integers(0, 12 * 3600), st.integers(-3600, 13 * 3600))
def test_spans_without_a_date_are_the_same_on_any_day_and_over_midnight(start: int, lasts: int, later: int):
    begins = datetime(2031, 2, 11) + timedelta(seconds=start)
    ends, moment = begins + timedelta(seconds=lasts), begins + timedelta(seconds=later)
    span = span_of(f"{begins:%H:%M:%S}", f"{ends:%H:%M:%S}")
    assert span is not None
    assert span.duration_s == lasts
    assert span.holds(moment) == span.holds(moment + timedelta(days=3)) == (0 <= later <= lasts)
