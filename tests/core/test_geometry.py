# SPDX-License-Identifier: Apache-2.0
import numpy as np
import pytest

from tactile_nodes.core.geometry import ImageGeometry, check_image
from tactile_nodes.errors import DataError

VGA_QUARTER = ImageGeometry(240, 320, 0.06e-3)


def test_axes_follow_the_image_x_right_y_down():
    # REP 103, optical convention: x right, y down, origin at the image's centre
    assert np.allclose(VGA_QUARTER.to_tip([[119.5, 159.5]]), 0)
    assert np.allclose(VGA_QUARTER.to_tip([[119.5, 319]]), [[159.5 * 0.06e-3, 0]])
    assert np.allclose(VGA_QUARTER.to_tip([[239, 159.5]]), [[0, 119.5 * 0.06e-3]])


def test_round_trip():
    pixels = np.random.default_rng(1).uniform(0, 240, (50, 2))
    assert np.allclose(VGA_QUARTER.to_pixel(VGA_QUARTER.to_tip(pixels)), pixels)
    assert VGA_QUARTER.to_tip(np.zeros((0, 2))).shape == (0, 2)


def test_distortion_moves_places_outwards_and_is_undone():
    """Brown's formula: the whole share at the corner, a quarter of it half way there."""
    bent = ImageGeometry(240, 320, 0.06e-3, 0.02)
    corner = np.array([[-0.5, -0.5]])
    assert np.allclose(bent.to_tip(corner), 1.02 * VGA_QUARTER.to_tip(corner))
    half = np.array([[59.5, 79.5]])
    assert np.allclose(bent.to_tip(half), 1.005 * VGA_QUARTER.to_tip(half))
    pixels = np.random.default_rng(1).uniform(0, 240, (50, 2))
    assert np.abs(bent.to_pixel(bent.to_tip(pixels)) - pixels).max() < 1e-4
    assert np.allclose(bent.work.to_tip([[59.5, 0]]), bent.to_tip([[119.5, 0.5]]))


def test_axes_agree_with_to_tip():
    x, y = VGA_QUARTER.axes()
    assert (len(y), len(x)) == VGA_QUARTER.shape
    assert np.allclose(VGA_QUARTER.to_tip([[7, 11]]), [[x[11], y[7]]])


@pytest.mark.parametrize('size', [(120, 160), (240, 320), (480, 640)])
def test_work_grid_covers_the_same_skin(size):
    image = ImageGeometry(*size, 0.06e-3)
    work = image.work
    assert work.shape == (120, 160)
    assert work.pixel_area * 120 * 160 == pytest.approx(image.pixel_area * size[0] * size[1])
    # the centre of a work cell is the mean position of its pixels
    f = image.work_factor
    corner = [(r, c) for r in range(f) for c in range(f)]
    assert np.allclose(work.to_tip([[0, 0]]), image.to_tip(corner).mean(axis=0))


def test_bad_geometry_and_images_are_refused():
    for arguments in [(240, 320, 0.0), (240, 320, -1e-4), (8, 320, 1e-4), (241, 320, 1e-4)]:
        with pytest.raises(DataError):
            ImageGeometry(*arguments)
    with pytest.raises(DataError, match='distortion'):
        ImageGeometry(240, 320, 1e-4, 0.5)
    with pytest.raises(DataError, match='wrong image'):
        check_image(np.zeros((240, 320), np.uint8), VGA_QUARTER)
    with pytest.raises(DataError, match='wrong image'):
        check_image(np.zeros((240, 320, 3), np.float32), VGA_QUARTER)
    image = np.zeros((240, 320, 3), np.uint8)
    assert check_image(image, VGA_QUARTER) is image
