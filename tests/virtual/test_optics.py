# SPDX-License-Identifier: Apache-2.0
import dataclasses

import cv2
import numpy as np
import pytest

from tactile_nodes.core.types import Elastomer, ElastomerKind
from tactile_nodes.device.contract import Light
from tactile_nodes.errors import DataError
from tactile_nodes.virtual.optics import FIELD_WIDTH, REFERENCE_EXPOSURE, SkinCamera, optics_of
from tactile_nodes.virtual.scenario import GRID_SHAPE, grid

X, Y = grid()
SERIAL = 'VF-1001'
LIT = Light(0.6, 0.6, 0.6)
MARKED = Elastomer('marked', ElastomerKind.REFLECTIVE_MARKERS, 3e-3, 0.41e6, 0.48, 1.5e-3, 0.5e-3)
PLAIN = Elastomer('plain', ElastomerKind.REFLECTIVE, 3e-3, 0.41e6, 0.48)
CLEAR = dataclasses.replace(MARKED, kind=ElastomerKind.CLEAR_MARKERS)


def camera(elastomer, size=(320, 240), serial=SERIAL):
    optics = optics_of(serial)
    return SkinCamera(elastomer, optics, optics.geometry(*size), X, Y)


def still():
    return np.zeros((3, *GRID_SHAPE))


def moved(dx, dy):
    return still() + np.array([dx, dy, 0])[:, None, None]


def dent(depth=0.4e-3, width=2e-3):
    u = still()
    u[2] = -depth * np.exp(-(X ** 2 + Y[:, None] ** 2) / (2 * width ** 2))
    return u


def channel(image, name):
    return image[..., ('blue', 'green', 'red').index(name)].astype(float)


def dots(brightness):
    """Centres (N, 2) x, y in px of the dark blobs, weighted by their darkness."""
    flat = brightness[..., 1]
    background = cv2.morphologyEx(flat, cv2.MORPH_CLOSE, np.ones((21, 21)))
    dark = np.clip(1 - flat / background - 0.1, 0, None)
    _, labels, stats, _ = cv2.connectedComponentsWithStats((dark > 0).astype(np.uint8))
    found = []
    for left, top, width, height, area in stats[1:]:
        inside = left > 0 and top > 0 and left + width < flat.shape[1] \
            and top + height < flat.shape[0]
        if inside and area > 20:
            weight = dark[top:top + height, left:left + width]
            x, y = np.arange(left, left + width), np.arange(top, top + height)
            found.append((weight.sum(0) @ x / weight.sum(), weight.sum(1) @ y / weight.sum()))
    return np.array(found)


def nearest(points, others):
    distance = np.linalg.norm(points[:, None] - others[None], axis=2)
    return others[distance.argmin(1)], distance.min(1)


@pytest.mark.parametrize('size', [(160, 120), (320, 240), (640, 480)])
@pytest.mark.parametrize('elastomer', [MARKED, PLAIN, CLEAR], ids=lambda e: e.name)
def test_picture_has_size_and_is_usable(elastomer, size):
    image = camera(elastomer, size).picture(camera(elastomer, size).as_seen(dent()), LIT, 8e-3, 1)
    assert image.shape == (size[1], size[0], 3) and image.dtype == np.uint8
    assert 20 < image.mean() < 200
    assert (image == 255).mean() < 0.001


def test_leds_off_is_dark():
    c = camera(MARKED)
    image = c.picture(c.as_seen(still()), Light(0, 0, 0), 8e-3, 1.0)
    assert image.mean() < 3 and image.max() <= 10


@pytest.mark.parametrize('off', ['red', 'green', 'blue'])
def test_one_led_off_leaves_only_crosstalk(off):
    c = camera(PLAIN)
    seen = c.as_seen(still())
    lit = c.brightness(seen, LIT)
    dark = c.brightness(seen, dataclasses.replace(LIT, **{off: 0.0}))
    row = c.optics.crosstalk[('red', 'green', 'blue').index(off)]
    share = channel(dark, off) / channel(lit, off)
    assert share.max() < 0.4 and share.mean() < 0.15
    assert 0.5 < share.mean() / (sum(row) - 1) < 2     # about what the other two put in
    others = [name for name in ('red', 'green', 'blue') if name != off]
    assert all(channel(dark, o).mean() > 0.85 * channel(lit, o).mean() for o in others)


def test_brightness_is_proportional_to_led_level():
    c = camera(MARKED)
    seen = c.as_seen(dent())
    dark = c.brightness(seen, Light(0, 0, 0))
    one = c.brightness(seen, Light(0.2, 0.2, 0.2)) - dark
    four = c.brightness(seen, Light(0.8, 0.8, 0.8)) - dark
    np.testing.assert_allclose(four, 4 * one, rtol=2e-3, atol=1e-5)


def test_response_and_exposure_follow_the_stated_law():
    c = camera(PLAIN)
    seen = c.as_seen(still())
    for exposure, gain in ((8e-3, 1.0), (4e-3, 1.0), (4e-3, 2.0)):
        mean = np.mean([c.picture(seen, LIT, exposure, gain) for _ in range(40)], axis=0)
        factor = gain * exposure / REFERENCE_EXPOSURE
        expected = 255 * (c.brightness(seen, LIT) * factor) ** c.optics.gamma
        assert np.abs(mean - expected).mean() < 0.5        # grey levels
        assert abs((mean - expected).mean()) < 0.3


def test_overexposure_saturates():
    c = camera(PLAIN)
    assert (c.picture(c.as_seen(still()), LIT, 16e-3, 8.0) >= 254).all()


@pytest.mark.parametrize('gain', [1.0, 4.0])
def test_noise_is_photon_noise_plus_read_noise(gain):
    # Poisson: variance in electrons = electrons; through the power-law response to first order
    c = camera(PLAIN)
    o = c.optics
    seen = c.as_seen(still())
    exposure = REFERENCE_EXPOSURE / gain
    pictures = np.array([c.picture(seen, LIT, exposure, gain) for _ in range(120)], float)
    signal = c.brightness(seen, LIT)
    sd = np.sqrt(gain * signal / o.full_well + (gain * o.read_noise / o.full_well) ** 2)
    expected = 255 * o.gamma * signal ** (o.gamma - 1) * sd
    expected = np.sqrt(expected ** 2 + 1 / 12)               # digitising
    measured = pictures.std(axis=0, ddof=1)
    assert measured.mean() / expected.mean() == pytest.approx(1, abs=0.05)


def test_noise_differs_from_frame_to_frame_without_correlation():
    c = camera(PLAIN)
    seen = c.as_seen(still())
    pictures = np.array([c.picture(seen, LIT, 8e-3, 1) for _ in range(30)], float)
    noise = (pictures - pictures.mean(0))[:, ::4, ::4].reshape(30, -1)
    correlation = np.corrcoef(noise) - np.eye(30)
    # the mean was taken out, which leaves -1/29 between any two
    assert np.abs(correlation + (1 - np.eye(30)) / 29).max() < 0.08


@pytest.mark.parametrize('shift', [(2.3, 0.0), (0.0, -1.7), (0.55, 3.25)])
def test_markers_move_exactly_with_the_skin(shift):
    c = camera(MARKED)
    pitch = c.geometry.metres_per_px
    before = dots(c.brightness(c.as_seen(still()), LIT))
    after = dots(c.brightness(c.as_seen(moved(*(np.array(shift) * pitch))), LIT))
    matched, distance = nearest(before + shift, after)
    close = distance < 1.5                                   # px; the others left the image
    assert close.sum() > 80
    error = (matched - before - shift)[close]
    assert np.abs(error).max() < 0.05 and np.abs(error.mean(0)).max() < 0.01


def test_markers_rest_where_the_truth_says():
    c = camera(MARKED)
    found = dots(c.brightness(c.as_seen(still()), LIT))
    truth = c.geometry.to_pixel(c.markers)[:, ::-1]
    _, distance = nearest(found, truth)
    assert len(found) > 90 and distance.max() < 0.06


def test_markers_follow_a_stretch_at_the_material_point():
    # x = X + strain * X: a marker printed at X is seen at (1 + strain) X
    c = camera(MARKED)
    strain = 0.06
    u = still()
    u[0], u[1] = strain * X, strain * Y[:, None]
    found = dots(c.brightness(c.as_seen(u), LIT))
    truth = c.geometry.to_pixel(c.markers * (1 + strain))[:, ::-1]
    _, distance = nearest(found, truth)
    assert len(found) > 80 and distance.max() < 0.12


def test_imprint_is_carried_along_by_the_skin():
    # a dent dragged by exactly 4 px looks like the dent made 4 px further on
    c = camera(PLAIN)
    shift = 4 * c.geometry.metres_per_px
    dragged = dent()
    dragged[0] = shift
    made_there = still()
    made_there[2] = -0.4e-3 * np.exp(-((X - shift) ** 2 + Y[:, None] ** 2) / (2 * 2e-3 ** 2))
    a, b = (c.brightness(c.as_seen(u), LIT) for u in (dragged, made_there))
    flat = c.brightness(c.as_seen(still()), LIT)
    assert np.abs(a - b).max() < 0.02 * np.abs(b - flat).max()


@pytest.mark.parametrize('led', ['red', 'green', 'blue'])
def test_slope_towards_a_led_brightens_and_away_darkens(led):
    c = camera(PLAIN)
    only = dataclasses.replace(Light(0, 0, 0), **{led: 1.0})
    change = channel(c.brightness(c.as_seen(dent()), only), led) \
        - channel(c.brightness(c.as_seen(still()), only), led)
    azimuth = c.optics.led_azimuth[('red', 'green', 'blue').index(led)]
    direction = np.array([np.cos(azimuth), np.sin(azimuth)])
    # a dent is a bump for the camera inside: its side towards the LED faces the LED
    near, far = (np.rint(c.geometry.to_pixel(side * 2e-3 * direction)[0]).astype(int)
                 for side in (1, -1))
    assert change[tuple(near)] > 0.02 and change[tuple(far)] < -0.02


def test_lambert_on_a_tilted_plane():
    # Lambert's cosine law with the LED's direction worked out by hand at the image centre
    c = camera(PLAIN, (160, 120))
    slope = 0.2
    for axis in (0, 1):
        u = still()
        u[2] = slope * (X[None, :] if axis == 0 else Y[:, None])
        for i, led in enumerate(('red', 'green', 'blue')):
            only = dataclasses.replace(Light(0, 0, 0), **{led: 1.0})
            tilted, flat = (channel(c.brightness(c.as_seen(f), only), led)[59:61, 79:81].mean()
                            for f in (u, still()))
            azimuth, elevation = c.optics.led_azimuth[i], c.optics.led_elevation[i]
            towards = (np.cos(azimuth), np.sin(azimuth))[axis] * np.cos(elevation)
            cosine = (slope * towards + np.sin(elevation)) / np.hypot(1, slope)
            expected = 0.06 + 0.94 * cosine / np.sin(elevation)    # 6 % is scattered light
            assert tilted / flat == pytest.approx(expected, rel=5e-3)


def test_clear_layer_shows_no_shading_and_a_moving_background():
    c = camera(CLEAR)
    a = c.brightness(c.as_seen(still()), LIT)
    later = [c.brightness(c.as_seen(dent()), LIT) for _ in range(20)][-1]
    assert np.abs(later - a).max() > 0.005
    assert len(dots(a)) > 60


def test_same_serial_same_fingertip_other_serial_other_fingertip():
    assert optics_of('VF-1001') == optics_of('VF-1001')
    a, b = (camera(MARKED, serial='VF-1001') for _ in range(2))
    seen = a.as_seen(dent())
    assert (a.picture(seen, LIT, 8e-3, 1) == b.picture(seen, LIT, 8e-3, 1)).all()
    other = optics_of('VF-1002')
    for field in dataclasses.fields(other):
        if field.name not in ('full_well', 'read_noise', 'print_error'):
            assert getattr(other, field.name) != getattr(optics_of('VF-1001'), field.name)


def test_fingertips_stay_within_the_stated_spread():
    tips = [optics_of(f'T-{i}') for i in range(200)]
    assert max(abs(t.scale - 1) for t in tips) <= 0.01
    assert tips[0].geometry(320, 240).metres_per_px == pytest.approx(0.06e-3, rel=0.0101)
    assert tips[0].geometry(640, 480).metres_per_px * 640 \
        == pytest.approx(FIELD_WIDTH * tips[0].scale)
    assert max(abs(t.gamma / 0.6 - 1) for t in tips) <= 0.04


def test_every_image_size_shows_the_same_print():
    small, large = camera(MARKED, (160, 120)), camera(MARKED, (640, 480))
    inside = np.abs(small.markers).max() * 0.9
    a, b = (c.markers[(np.abs(c.markers) < inside).all(1)] for c in (small, large))
    np.testing.assert_allclose(a, b)


def test_a_grid_smaller_than_the_image_is_refused():
    optics = optics_of(SERIAL)
    with pytest.raises(DataError, match='does not cover'):
        SkinCamera(PLAIN, optics, optics.geometry(320, 320), X, Y)
