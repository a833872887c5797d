import builtins
import shutil
from datetime import datetime

import numpy as np
import pytest
from raw_files import BLACK, WHITE, write_dng

from coverage_lab.errors import ExitCode, UnreadableFrame
from coverage_lab.files.night import read_night
from coverage_lab.files.sheet import read_runs
from coverage_lab.frames.read import read_frame
from coverage_lab.frames.stamps import read_stamps


def flat(red, green, blue, shape=(40, 60)):
    """A mosaic of one colour, given as shares of the way from black to white."""
    mosaic = np.empty(shape)
    mosaic[::2, ::2], mosaic[::2, 1::2], mosaic[1::2, ::2], mosaic[1::2, 1::2] = red, green, green, blue
    return np.rint(BLACK + mosaic * (WHITE - BLACK))


def test_light_is_the_sensors_own_number_less_black(tmp_path):
    frame = read_frame(write_dng(tmp_path / "grey.dng", flat(0.25, 0.25, 0.25)))
    assert frame.light.dtype == np.uint16
    assert frame.light.shape == (40, 60)
    assert np.abs(frame.light / 65535 - 0.25).max() < 1e-4


def test_it_is_linear_and_each_picture_scaled_alike(tmp_path):
    for share in (0.002, 0.01, 0.1, 0.5, 0.9):
        light = read_frame(write_dng(tmp_path / "grey.dng", flat(share, share, share))).light
        assert np.median(light) / 65535 == pytest.approx(share, abs=1e-4)


def test_colours_are_mixed_as_in_other_pictures(tmp_path):
    frame = read_frame(write_dng(tmp_path / "colour.dng", flat(0.8, 0.4, 0.2)))
    mixed = 0.299 * 0.8 + 0.587 * 0.4 + 0.114 * 0.2
    assert np.median(frame.light) / 65535 == pytest.approx(mixed, abs=1e-3)


def test_a_full_well_counts_as_saturated(tmp_path):
    mosaic = flat(0.5, 0.5, 0.5)
    mosaic[10:20, 10:20] = WHITE
    frame = read_frame(write_dng(tmp_path / "full.dng", mosaic))
    assert (frame.light >= frame.clip)[12:18, 12:18].all()
    assert not (frame.light >= frame.clip)[25:].any()


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_orientation_changes_nothing(tmp_path, orientation):
    mosaic = np.random.default_rng(3).integers(BLACK, WHITE, (40, 60))
    plain = read_frame(write_dng(tmp_path / "plain.dng", mosaic)).light
    assert np.array_equal(read_frame(write_dng(tmp_path / "turned.dng", mosaic, orientation=orientation)).light, plain)


def test_what_the_camera_wrote_is_read(tmp_path):
    path = write_dng(tmp_path / "a.dng", flat(0.1, 0.1, 0.1))
    assert read_frame(path).exif == read_stamps([path])[0].exif
    (stamp,) = read_stamps([path])
    assert stamp.moment == datetime(2031, 2, 11, 21, 14, 5)
    assert (stamp.exif.exposure_s, stamp.exif.iso) == (30, 200)


@pytest.mark.parametrize("left", [0.95, 0.1, 0.02])
def test_a_raw_file_that_was_cut_off_is_refused_by_name(tmp_path, left):
    path = write_dng(tmp_path / "torn.dng", flat(0.1, 0.1, 0.1))
    path.write_bytes(path.read_bytes()[: int(left * path.stat().st_size)])
    with pytest.raises(UnreadableFrame, match=r"torn\.dng.*Copy it from the camera again") as caught:
        read_frame(path)
    assert caught.value.exit_code == ExitCode.SOME_FAILED


def test_without_the_library_the_message_says_how_to_get_it(tmp_path, monkeypatch):
    path = write_dng(tmp_path / "a.dng", flat(0.1, 0.1, 0.1))
    real = builtins.__import__

    def without(name, *rest, **more):
        if name == "rawpy":
            raise ImportError(name)
        return real(name, *rest, **more)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(UnreadableFrame, match=r'pip install "coverage-lab\[raw\]"'):
        read_frame(path)
    assert read_stamps([path])[0].exif is None


def test_a_night_of_raw_files_takes_them_and_leaves_the_jpegs_beside(small_season, tmp_path):
    season = shutil.copytree(small_season, tmp_path / "season")
    (night,) = [path.parent for path in season.glob("*/night.toml")]
    text = (night / "night.toml").read_text(encoding="utf-8")
    (night / "night.toml").write_text(text.replace("[camera]", '[camera]\nsource = "raw"'), encoding="utf-8")
    (night / "runs.csv").write_text("run,robot,frames\nheron-1,heron,heron-1\n", encoding="utf-8")
    folder = night / "heron-1"
    folder.mkdir()
    (night / "heron-1.jpg").unlink()
    for number in (1, 2):
        write_dng(folder / f"DSC_{number:04d}.DNG", flat(0.1, 0.1, 0.1))
        (folder / f"DSC_{number:04d}.JPG").write_bytes(b"taken with it")
    (run,) = read_runs(read_night(night))
    assert [path.name for path in run.frames] == ["DSC_0001.DNG", "DSC_0002.DNG"]
