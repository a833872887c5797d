import cv2
import numpy as np
import pytest

from coverage_lab.frames.read import read_frame
from coverage_lab.simulate.sensor import Sensor, develop, write_picture

QUIET = Sensor("linear", full_well_e=1e12, read_noise_e=0.0, hot_per_megapixel=0)


def flat(level, shape=(200, 300, 3)):
    return np.full(shape, level, np.float32)


@pytest.mark.parametrize("level", [0.02, 0.3, 0.8])
def test_noise_is_shot_and_read_noise(level):
    sensor = Sensor("linear", full_well_e=10_000, read_noise_e=20, hot_per_megapixel=0)
    light = develop(flat(level), sensor, np.random.default_rng(0)) / 65535
    assert light.mean() == pytest.approx(level, rel=0.003)
    assert light.std() == pytest.approx(np.sqrt(level / 1e4 + (20 / 1e4) ** 2), rel=0.02)


def test_light_beyond_full_scale_clips():
    assert (develop(flat(2.5), QUIET, np.random.default_rng(0)) == 65535).all()


def test_our_reader_gives_the_light_back(tmp_path):
    steps = np.repeat(np.linspace(0.01, 0.95, 12, dtype=np.float32), 32)
    light = np.repeat(np.tile(steps, (96, 1))[..., None], 3, axis=2)
    for transfer, name, error in (("srgb", "a.jpg", 0.004), ("linear", "a.png", 0.0002)):
        sensor = Sensor(transfer, full_well_e=1e12, read_noise_e=0, hot_per_megapixel=0)
        write_picture(tmp_path / name, develop(light, sensor, np.random.default_rng(0)), jpeg_quality=98)
        again = read_frame(tmp_path / name).light / 65535
        assert again[48, 16::32] == pytest.approx(light[48, 16::32, 0], abs=error)


def test_a_camera_look_bends_and_sharpens():
    edge = np.where(np.arange(300) < 150, 0.05, 0.4).astype(np.float32)
    light = np.repeat(np.tile(edge, (200, 1))[..., None], 3, axis=2)
    pictures = [
        develop(light, Sensor(transfer, 1e12, 0, 0), np.random.default_rng(0))[100, :, 0].astype(int)
        for transfer in ("srgb", "camera")
    ]
    assert pictures[1][10] < pictures[0][10] - 5  # shadows darker
    assert pictures[1][290] > pictures[0][290] + 5  # lights brighter
    assert pictures[1][150] > pictures[1][290] + 5  # overshoot beside the edge


def test_hot_pixels_are_the_same_in_the_dark_frame():
    sensor = Sensor("linear", hot_per_megapixel=200, hot_seed=3)
    dark, lit = (develop(flat(level), sensor, np.random.default_rng(level > 0)) for level in (0.0, 0.1))
    hot = dark[..., 1] > 6000
    assert 8 <= hot.sum() <= 12
    assert (lit[..., 1][hot] > lit[..., 1][~hot].mean() + 5000).all()


def test_a_picture_of_the_wrong_depth_is_not_written(tmp_path):
    with pytest.raises((ValueError, cv2.error)):
        write_picture(tmp_path / "a.jpgx", flat(0))
