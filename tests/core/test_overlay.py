# SPDX-License-Identifier: Apache-2.0
"""The pictures show what the numbers say, in the right place; expected positions by hand."""

import numpy as np
import pytest

from tactile_nodes.core.geometry import ImageGeometry
from tactile_nodes.core.overlay import MOTION_SCALE, NEWTONS_FULL, draw_overlay, mosaic
from tactile_nodes.core.types import Contact, ForceEstimate, MarkerField
from tactile_nodes.errors import DataError

GEOMETRY = ImageGeometry(240, 320, 6e-5)
IMAGE = np.full((240, 320, 3), 90, np.uint8)
YELLOW, VERMILLION, SKY, PURPLE = (66, 228, 240), (0, 94, 213), (233, 180, 86), (167, 121, 204)


def contact(radius=2e-3, centre=(1e-3, -0.5e-3)):
    x, y = GEOMETRY.work.axes()
    mask = np.hypot(x[None] - centre[0], y[:, None] - centre[1]) < radius
    area = mask.sum() * GEOMETRY.work.pixel_area
    return Contact(mask, np.zeros(mask.shape, np.float32), area,
                   np.array(centre) if area else np.full(2, np.nan), np.nan, np.ones(3))


def force(fx=0.0, fy=0.0, fz=0.0, sd=0.1, slipping=False):
    return ForceEstimate(np.array([fx, fy, fz, 0, 0, 0]), np.full(6, sd), 1.0, slipping)


def markers(rest, displacement):
    rest = np.atleast_2d(np.array(rest, np.float32))
    return MarkerField(np.arange(len(rest), dtype=np.int32), rest,
                       np.atleast_2d(np.array(displacement, np.float32)))


def draw(contact_=None, markers_=None, estimate=None, goal=None):
    return draw_overlay(IMAGE, GEOMETRY, contact_ or contact(radius=0),
                        markers_ or MarkerField.empty(), estimate or force(), goal=goal)


def pixels_of(picture, colour, tolerance=0):
    """(N, 2) x, y of the pixels of this colour; thin smoothed lines need a tolerance."""
    near = np.abs(picture.astype(int) - colour) <= tolerance
    return np.argwhere(near.all(axis=2))[:, ::-1]


def test_size_is_twice_the_image_plus_the_strip_and_the_image_is_not_touched():
    image = IMAGE.copy()
    picture = draw_overlay(image, GEOMETRY, contact(), MarkerField.empty(), force(1, 1, -2))
    assert picture.shape == (2 * 240 + 84, 2 * 320, 3)
    assert picture.dtype == np.uint8
    assert (image == IMAGE).all()


def test_without_findings_the_picture_is_the_image():
    assert (draw()[:480] == 90).all()


def test_wrong_image_is_refused():
    with pytest.raises(DataError, match='wrong image'):
        draw_overlay(IMAGE[:100], GEOMETRY, contact(), MarkerField.empty(), force())


def test_outline_follows_the_mask():
    found = pixels_of(draw(contact(radius=2e-3))[:480], (255, 255, 255))
    centre = 2 * np.array([159.5 + 1e-3 / 6e-5, 119.5 - 0.5e-3 / 6e-5]) + 0.5
    distance = np.hypot(*(found - centre).T)
    ring = distance[distance > 10]          # nearer is the spot at the centroid
    assert len(ring) > 300
    assert np.abs(ring - 2 * 2e-3 / 6e-5).max() < 5


def test_marker_arrow_begins_at_rest_and_ends_at_the_enlarged_motion():
    found = pixels_of(draw(markers_=markers((0, 0), (0.2e-3, 0.1e-3))), YELLOW, 80)
    motion = MOTION_SCALE * 2 * np.array([0.2e-3, 0.1e-3]) / 6e-5
    assert np.hypot(*(found - (319.5, 239.5)).T).min() < 2
    assert np.hypot(*(found - (319.5, 239.5) - motion).T).min() < 2
    assert (found.max(axis=0) < (319.5, 239.5) + motion + 8).all()


def test_lost_marker_is_a_cross_at_its_rest_position_and_a_still_one_is_not_drawn():
    field = markers([(-3e-3, 0), (3e-3, 0)], [(np.nan, np.nan), (0, 0)])
    found = pixels_of(draw(markers_=field), YELLOW)
    assert len(found) > 5
    assert np.abs(found - (319.5 - 2 * 3e-3 / 6e-5, 239.5)).max() < 8


@pytest.mark.parametrize(('fx', 'fy'), [(2.0, 0.0), (0.0, -1.5), (-1.0, 1.0)])
def test_shear_arrow_is_40_px_per_newton_from_the_centroid(fx, fy):
    found = pixels_of(draw(contact(centre=(0, 0)), estimate=force(fx, fy, -2))[:480], VERMILLION)
    tip = (319.5, 239.5) + 40 * np.array([fx, fy])
    assert np.hypot(*(found - tip).T).min() < 3
    reach = (found - (319.5, 239.5)) @ np.array([fx, fy]) / np.hypot(fx, fy)
    assert reach.max() < 40 * np.hypot(fx, fy) + 5


def test_shear_is_not_drawn_without_contact():
    assert len(pixels_of(draw(estimate=force(2, 1, 0))[:480], VERMILLION)) == 0


@pytest.mark.parametrize('press', [0.0, 1.0, 2.5, 8.0, 9.0])
def test_bar_is_as_long_as_the_press(press):
    strip = draw(contact(), estimate=force(fz=-press, sd=0.0))[480:]
    blue = pixels_of(strip[14:17, :270], SKY)      # above the whisker
    full = 640 // 2 - 50 - 72
    length = len(np.unique(blue[:, 0])) if len(blue) else 0
    assert length == pytest.approx(min(press / NEWTONS_FULL, 1) * full, abs=2)


def test_axis_that_is_not_measured_shows_no_bar():
    strip = draw(contact(), estimate=force(fz=-3.0, sd=np.inf))[480:]
    assert len(pixels_of(strip[14:32, :270], SKY)) == 0


def test_sticking_and_slipping_differ_in_more_than_colour():
    stick = draw(contact(), estimate=force())[480:, 320:].max(axis=2) > 120
    slip = draw(contact(), estimate=force(slipping=True))[480:, 320:].max(axis=2) > 120
    assert (stick != slip).sum() > 50


def test_goal_is_a_cross_where_it_is_asked_for():
    found = pixels_of(draw(goal=(-2e-3, 1e-3)), PURPLE)
    expected = (319.5 - 2 * 2e-3 / 6e-5, 239.5 + 2 * 1e-3 / 6e-5)
    assert np.abs(found.mean(axis=0) - expected).max() < 1


def test_a_large_camera_is_not_enlarged():
    geometry = ImageGeometry(480, 640, 3e-5)
    picture = draw_overlay(np.zeros((480, 640, 3), np.uint8), geometry,
                           Contact(np.zeros(geometry.work.shape, bool), None, 0.0,
                                   np.full(2, np.nan), np.nan, np.ones(3)),
                           MarkerField.empty(), force())
    assert picture.shape == (480 + 84, 640, 3)


def test_mosaic_holds_each_picture_and_says_which_is_missing():
    one, two = np.full((564, 640, 3), 50, np.uint8), np.full((564, 640, 3), 77, np.uint8)
    sheet = mosaic({'thumb': one, 'index': two, 'middle': None, 'ring': one})
    assert sheet.shape == (2 * (564 + 34) + 6, 2 * 640 + 6, 3)
    assert (sheet[34:598, :640] == one).all()
    assert (sheet[34:598, 646:] == two).all()
    missing = sheet[604 + 34:, :640]
    assert 0 < (missing.max(axis=2) > 100).sum() < 5000         # words on empty ground


def test_mosaic_of_one_finger_and_of_none():
    assert mosaic({'thumb': np.zeros((564, 640, 3), np.uint8)}).shape == (598, 640, 3)
    assert mosaic({'thumb': None}).shape == (598, 640, 3)
