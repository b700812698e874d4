# SPDX-License-Identifier: Apache-2.0
"""The independent optics against the laws they are named after."""

from dataclasses import replace

import numpy as np
import pytest

from tests.accuracy.fingertip import HEIGHT, WIDTH, Camera, Lamp, make_fingertip
from tests.accuracy.grid import SkinGrid
from tests.accuracy.optics import Optics, Scene, SkinWindow

PLAIN_CAMERA = Camera(metres_per_px=6e-5, distortion=0.0, vignetting=0.0, gamma=1.0,
                      crosstalk=np.eye(3), electrons=1e12, read_noise=0.0, pattern=0.0)


@pytest.fixture(scope='module')
def grid():
    return SkinGrid(make_fingertip(1).layer)


def optics(grid, kind='reflective', camera=PLAIN_CAMERA, **changes):
    tip = make_fingertip(1, kind, camera=camera, specular=0.0, diffuse=0.0, ambient=0.0,
                         **changes)
    return Optics(tip, SkinWindow(grid, camera.metres_per_px), seed=0)


def test_far_lamp_shades_a_sphere_after_lambert(grid):
    """Lambert's cosine law: light in proportion to n . l, zero where the lamp is behind.

    J. H. Lambert, Photometria (1760); with a lamp far away l is the same everywhere.
    """
    way = np.array([0.6, 0.0, 0.8])
    model = optics(grid, lamps=(Lamp((600.0, 0.0, -800.0), 1, 1e10),))
    radius = 4e-3
    y, x = np.mgrid[-20:21, -20:21] * 1.5e-4
    drop = np.sqrt(np.maximum(radius ** 2 - x * x - y * y, 1e-12))
    # Seen from inside, a ball pressed in has its top at the centre: z = -(sqrt(R2 - r2) - ...).
    slope = np.stack([x / drop, y / drop, np.zeros_like(x)], axis=-1).astype(np.float32)
    lit = model._light_of(slope, x.astype(np.float32), y.astype(np.float32))[..., 1]
    normal = np.stack([x, y, drop], axis=-1) / radius
    inside = x * x + y * y < (0.9 * radius) ** 2
    expected = np.maximum(normal @ way, 0)
    assert lit[inside] / lit[20, 20] == pytest.approx((expected / expected[20, 20])[inside],
                                                     abs=1e-3)


def test_light_falls_off_with_the_square_of_distance(grid):
    model = optics(grid, lamps=(Lamp((0.0, 0.0, -10e-3), 0, 1.0),))
    flat = np.zeros((1, 1, 3), np.float32)
    deeper = np.array([[[0, 0, -5e-3]]], np.float32)          # half the way to the lamp
    zero = np.zeros((1, 1), np.float32)
    near, far = (model._light_of(bent, zero, zero)[0, 0, 0] for bent in (deeper, flat))
    assert near / far == pytest.approx(4, rel=1e-5)


def test_noise_is_shot_plus_read_noise(grid):
    """Photon statistics: variance = signal / electrons + read noise squared."""
    camera = replace(PLAIN_CAMERA, electrons=2000.0, read_noise=0.004)
    model = optics(grid, camera=camera)
    pictures = np.stack([model.image() for _ in range(60)]).astype(float)
    signal = pictures.mean(axis=0) / 255
    expected = 255 ** 2 * (signal / 2000 + 0.004 ** 2) + 1 / 12
    bright = signal > 0.1
    ratio = pictures.var(axis=0, ddof=1)[bright].mean() / expected[bright].mean()
    assert ratio == pytest.approx(1, abs=0.05)


def test_dots_move_with_the_skin_and_the_lamps_do_not(grid):
    """A skin that moves as a whole by whole pixels carries its paint with it."""
    model = optics(grid, 'reflective_markers')
    window = model.window
    shape = (9, window.rows.stop - window.rows.start, window.columns.stop - window.columns.start)
    fields = np.zeros(shape, np.float32)
    fields[0], fields[1] = 5 * 6e-5, -3 * 6e-5
    before, after = model.image().astype(float), model.image(fields).astype(float)
    paint = before / np.maximum(model._flat[..., ::-1] * 255, 1)
    moved = after / np.maximum(model._flat[..., ::-1] * 255, 1)
    a = paint[20:-20, 20:-20].mean(axis=2)
    b = moved[17:-23, 25:-15].mean(axis=2)
    assert np.abs(a - b).max() < 0.12
    assert np.corrcoef(a.ravel(), b.ravel())[0, 1] > 0.99


def test_pictures_use_the_range_without_overexposure(grid):
    for seed in (1, 2, 3):
        for kind in ('reflective_markers', 'clear_markers'):
            tip = make_fingertip(seed, kind)
            window = SkinWindow(grid, tip.camera.metres_per_px)
            picture = Optics(tip, window, seed=0).image(scene=Scene(time=4.0))
            assert picture.shape == (HEIGHT, WIDTH, 3)
            assert (picture == 255).mean() < 1e-3
            assert 40 < picture.mean() < 200


def test_background_of_a_clear_skin_moves_and_its_dots_do_not(grid):
    model = optics(grid, 'clear_markers')
    pictures = np.stack([model.image(scene=Scene(time=t)) for t in (0.0, 1.0, 2.0, 3.0)])
    spread = pictures.astype(float).std(axis=0).mean(axis=2)
    dots = model._still_paint < 0.3
    assert spread[dots].mean() < 0.4 * spread[~dots].mean()
