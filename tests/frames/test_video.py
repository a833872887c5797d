import cv2
import numpy as np
import pytest

from coverage_lab.errors import UnreadableFrame
from coverage_lab.frames.light import srgb_to_light
from coverage_lab.frames.read import read_frame
from coverage_lab.frames.video import takes, video_times

SIZE = (160, 120)


def film(path, pictures, rate=25):
    writer = cv2.VideoWriter(str(path), cv2.VideoWriter_fourcc(*"MJPG"), rate, SIZE)
    assert writer.isOpened()
    for picture in pictures:
        writer.write(cv2.cvtColor(picture, cv2.COLOR_GRAY2BGR))
    writer.release()
    return path


def dot(number, count):
    """A bright square that goes across the picture."""
    picture = np.zeros(SIZE[::-1], np.uint8)
    at = round(10 + number * 140 / count)
    picture[50:70, at : at + 8] = 180
    return picture


@pytest.fixture(scope="module")
def crossing(tmp_path_factory):
    return film(tmp_path_factory.mktemp("film") / "heron-1.avi", [dot(number, 100) for number in range(100)])


def test_exposures_of_a_second_follow_the_stream(crossing):
    taken = list(takes(crossing))
    spans_s = [(take.start_s, take.end_s) for take in taken]
    assert np.allclose(spans_s, [(0, 1), (1, 2), (2, 3), (3, 4)], atol=0.01)
    times = video_times(crossing, spans_s)
    assert (times.source, times.quality, len(times.order)) == ("frames", (), 4)
    assert times.period_s == pytest.approx(1, abs=0.01)
    for number, take in enumerate(taken):  # each holds its own quarter of the way
        lit = np.flatnonzero(take.light[60] > 20000)
        assert lit[0] == pytest.approx(10 + 35 * number, abs=5)
        assert lit[-1] == pytest.approx(10 + 35 * (number + 1) + 7, abs=5)


def test_light_adds_up_as_in_one_exposure(tmp_path):
    grey = np.full(SIZE[::-1], 40, np.uint8)
    (take,) = takes(film(tmp_path / "grey.avi", [grey] * 25))
    assert np.median(take.light) == pytest.approx(25 * srgb_to_light()[40], rel=0.06)  # the codec may be off by a code
    (take,) = takes(film(tmp_path / "bright.avi", [np.full(SIZE[::-1], 200, np.uint8)] * 25))
    assert np.all(take.light == 65535)


def test_a_video_is_also_one_exposure_of_its_whole_length(crossing):
    frame = read_frame(crossing)
    parts = [take.light for take in takes(crossing)]
    assert np.array_equal(frame.light, np.minimum(np.sum(parts, axis=0, dtype=np.int64), 65535))
    lit = np.flatnonzero(frame.light[60] > 20000)
    assert (lit[0], lit[-1]) == (pytest.approx(10, abs=3), pytest.approx(156, abs=3))


def test_a_video_that_ends_early_is_told_and_not_taken_for_the_whole_run(crossing, tmp_path):
    content = crossing.read_bytes()
    torn = tmp_path / "torn.avi"
    torn.write_bytes(content[: len(content) // 2])
    spans_s = [(take.start_s, take.end_s) for take in takes(torn)]
    (remark,) = video_times(torn, spans_s).quality
    assert (remark.code, remark.level) == ("video-short", "warning")
    assert "of 4 s" in remark.text
    with pytest.raises(UnreadableFrame, match="of 4 s"):
        read_frame(torn)


@pytest.mark.parametrize("content", [b"", b"no video at all" * 100])
def test_what_is_no_video_is_refused_by_name(tmp_path, content):
    path = tmp_path / "heron-1.mp4"
    path.write_bytes(content)
    with pytest.raises(UnreadableFrame, match=r"heron-1\.mp4"):
        read_frame(path)
