from dataclasses import replace

import numpy as np
import pytest
from looking import BAR, camera_over, straight_pass

from coverage_lab.simulate.trail import Optics, led_places, spread, trail_light, usual_speed_m_s

OPTICS = Optics(core_sigma_px=0.9, halo_energy=0.0)
OPEN = np.zeros((320, 420), np.float32)


def light_of(poses, bar=BAR, camera=None, hidden=OPEN, level=0.5, optics=OPTICS):
    strengths = np.ones(len(led_places(bar)))
    return trail_light(poses, bar, strengths, camera or camera_over(), hidden, level, optics)


@pytest.mark.parametrize("led_count", [0, 8, 40])
@pytest.mark.parametrize("speed_m_s", [0.1, 0.4])
def test_level_is_the_peak_of_a_straight_pass_at_any_speed(led_count, speed_m_s):
    light = light_of(straight_pass((0.5, 0.75), (1.5, 0.75), speed_m_s=speed_m_s), replace(BAR, led_count=led_count))
    assert light[:, 150:270].max() == pytest.approx(0.5, rel=0.03)


def test_each_led_draws_its_track_where_the_camera_sees_it_at_bar_height():
    camera = camera_over(k1=-0.08)
    light = light_of(straight_pass((0.4, 1.2), (1.6, 1.2)), camera=camera)
    places = led_places(BAR)
    for column in (130, 210, 290):
        ahead = camera.lift([[column, 0.0], [column, 319.0]], BAR.height_m)
        share = (1.2 + places - ahead[0, 1]) / (ahead[1, 1] - ahead[0, 1])
        points = ahead[0] + share[:, None] * (ahead[1] - ahead[0])
        rows = camera.project(np.column_stack([points, np.full(8, BAR.height_m)]))[:, 1]
        for row in rows:
            low = round(row) - 2
            window = light[low : low + 5, column].astype(float)
            centre = (window * np.arange(low, low + 5)).sum() / window.sum()
            assert centre == pytest.approx(row, abs=0.12)  # a slanted column meets neighbours' skirts


def test_a_turn_on_the_spot_is_brighter_than_the_pass_before_it():
    poses = straight_pass((0.5, 0.75), (1.0, 0.75), (0.5, 0.76))
    light = light_of(poses)
    centre = camera_over().project([[1.0, 0.75, BAR.height_m]])[0].round().astype(int)
    assert light[centre[1] - 10 : centre[1] + 10, centre[0] - 10 : centre[0] + 10].max() > 1.3


def test_standing_still_leaves_light_in_proportion_to_its_time():
    poses = straight_pass((0.5, 0.75), (1.0, 0.75))
    waits = [np.vstack([poses, poses[-1] + [wait_s, 0, 0, 0]]) for wait_s in (10, 20)]
    moving, short, long = (light_of(one).sum() for one in (poses, *waits))
    assert (long - moving) / (short - moving) == pytest.approx(2, rel=1e-3)


def test_doubling_the_level_doubles_all_light():
    poses = straight_pass((0.5, 0.75), (1.5, 0.75))
    assert light_of(poses, level=1.0) == pytest.approx(2 * light_of(poses, level=0.5), rel=1e-5)


def test_hidden_pixels_get_no_light_of_their_own():
    hidden = OPEN.copy()
    hidden[:, 200:] = 1
    light = light_of(straight_pass((0.5, 0.75), (1.5, 0.75)), hidden=hidden)
    assert light[:, 206:].max() == 0
    assert light[:, :190].max() > 0.4


def test_blur_and_bloom_keep_the_light():
    light = np.zeros((320, 420), np.float32)
    light[150, 200] = 100
    for optics in (OPTICS, Optics(core_sigma_px=1.2, halo_energy=0.03, halo_scale_px=8)):
        assert spread(light, 1.0, optics).sum() == pytest.approx(100, rel=0.005)


def test_bloom_falls_exponentially():
    light = np.zeros((320, 420), np.float32)
    light[150, 200] = 1e6
    bloom = spread(light, 1.0, Optics(core_sigma_px=0.9, halo_energy=0.02, halo_scale_px=12))[150]
    assert bloom[240] / bloom[264] == pytest.approx(np.exp(2), rel=0.1)


def test_the_core_is_as_wide_as_disc_lens_and_pixel_make_it():
    light = np.zeros((64, 64), np.float32)
    light[32, 32] = 1
    core = spread(light, 1.5, OPTICS).astype(float)
    axis = np.arange(64) - 32
    variance = (core.sum(axis=0) * axis**2).sum()
    # Variances add: a disc has r²/4 per axis, a pixel 1/12; the splat's 1/4 is already in the light.
    assert variance + 0.25 == pytest.approx(1.5**2 / 4 + 0.9**2 + 1 / 12, rel=0.02)


def test_usual_speed_ignores_turns_and_waits():
    assert usual_speed_m_s(straight_pass((0, 0), (1, 0), (1, 1), (0, 1), speed_m_s=0.3)) == pytest.approx(0.3)
