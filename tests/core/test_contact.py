# SPDX-License-Identifier: Apache-2.0
from functools import partial

import cv2
import numpy as np
import pytest

from tactile_nodes.core import contact as finding
from tactile_nodes.core.contact import ContactStage
from tactile_nodes.core.depth import TERMS, ShadingModel, SteepShading, position_terms
from tactile_nodes.core.geometry import ImageGeometry
from tactile_nodes.core.reference import Reference, ReferenceBuilder
from tactile_nodes.core.types import Elastomer, ElastomerKind
from tactile_nodes.errors import DataError
from tests.skin_pictures import (
    GAMMA,
    LIGHTS,
    MIXING,
    dots,
    flat,
    hertz_skin,
    light_ratios,
    picture,
    sphere_cap,
)

GEOMETRY = ImageGeometry(240, 320, 60e-6)
WORK = GEOMETRY.work
X, Y = np.meshgrid(*WORK.axes())
IMAGE_X, IMAGE_Y = np.meshgrid(*GEOMETRY.axes())
NOISE = 1.2                    # grey levels
RADIUS = 4e-3
MARKED = Elastomer('marked', ElastomerKind.REFLECTIVE_MARKERS, 3e-3, 4e5, 0.48, 1.5e-3, 0.5e-3)


def shading():
    terms = position_terms(WORK).reshape(TERMS, -1).T
    a, b = (np.linalg.lstsq(terms, ratio.reshape(3, -1).T, rcond=None)[0].T
            for ratio in light_ratios(X, Y))
    middle = MIXING / MIXING.sum(axis=1, keepdims=True)
    leds = (np.linalg.lstsq(terms, ((led[axis] - place) / led[2]).ravel(), rcond=None)[0]
            for axis, place in enumerate((X, Y)) for led in LIGHTS)
    steep = np.array(list(leds)).reshape(2, 3, TERMS)
    return ShadingModel(GAMMA, a, b, 0.0,
                        SteepShading(GAMMA, *steep, np.zeros(3), np.zeros(3), middle))


def shot(rng, skin=flat, shift=(0.0, 0.0), light=(1, 1, 1), noise=NOISE):
    return picture(GEOMETRY, skin, reflectance=dots(IMAGE_X, IMAGE_Y, shift=shift), light=light,
                   noise=noise, rng=rng)


@pytest.fixture(scope='module')
def reference():
    rng = np.random.default_rng(10)
    builder = ReferenceBuilder(GEOMETRY.shape)
    for _ in range(30):
        builder.add(shot(rng))
    return builder.finish()


@pytest.fixture(scope='module')
def stage(reference):
    stage = ContactStage(GEOMETRY, MARKED, shading())
    stage.set_reference(reference)
    return stage


@pytest.fixture(scope='module')
def plain(reference):
    """Without a shading model."""
    stage = ContactStage(GEOMETRY, MARKED)
    stage.set_reference(reference)
    return stage


def overlap(mask, truth):
    return (mask & truth).sum() / (mask | truth).sum()


CENTRES = [(0.0, 0.0), (4e-3, -2.5e-3), (-5e-3, 3e-3)]


@pytest.mark.parametrize(('approach', 'limit'), [(0.5e-3, 28e-6), (0.3e-3, 18e-6),
                                                 (0.1e-3, 12e-6)])
@pytest.mark.parametrize('centre', CENTRES)
def test_depth_is_that_of_the_exact_sphere(stage, approach, limit, centre):
    """A ball sunk into a skin that stays flat around it: depth = sqrt(R^2 - r^2) - (R - d).

    The slope jumps at its rim, which the smoothing of the slope rounds off.
    """
    skin = partial(sphere_cap, radius=RADIUS, approach=approach, centre=centre)
    contact = stage.process(shot(np.random.default_rng(11), skin))
    depth, _, _, inside = skin(X, Y)
    error = contact.depth - depth
    assert np.sqrt(np.square(error[inside]).mean()) < limit
    assert np.sqrt(np.square(error[~inside]).mean()) < 4e-6
    assert contact.centroid_depth == pytest.approx(approach, abs=1.2 * limit)
    assert np.hypot(*(contact.centroid - centre)) < 40e-6


@pytest.mark.parametrize('turn', np.deg2rad(np.arange(0, 360, 45)))
def test_a_side_in_its_own_shadow_is_told_from_the_other_lamps(stage, monkeypatch, turn):
    """A ramp of slope 0.7; Lambert's law leaves a lamp dark that it turns away from by 0.55.

    Turned half way between the two others, it is a slope of 0.92 that they light most: their light
    hardly changes from 0.7 to 1.2, and no picture tells these slopes apart.
    """
    def ramp(x, y):
        along = np.cos(turn) * x + np.sin(turn) * y
        inside = np.abs(along) < 2e-3
        return (0.7 * np.clip(along, -2e-3, 2e-3), 0.7 * np.cos(turn) * inside,
                0.7 * np.sin(turn) * inside, inside)

    found, slope_of = [], stage._slope

    def watch(planes, mixture):
        slope, *smoothed = slope_of(planes, mixture)
        found.append(slope.copy())
        return slope, *smoothed

    monkeypatch.setattr(stage, '_slope', watch)
    stage.process(shot(np.random.default_rng(11), ramp))
    middle = (np.abs(np.cos(turn) * X + np.sin(turn) * Y) < 1.2e-3) & (np.hypot(X, Y) < 4e-3)
    error = found[0][:, middle].mean(axis=1) - 0.7 * np.array([np.cos(turn), np.sin(turn)])
    assert np.hypot(*error) < (0.25 if np.isclose(turn, np.pi / 2) else 0.08)


@pytest.mark.parametrize('approach', [0.1e-3, 0.3e-3, 0.5e-3])
@pytest.mark.parametrize('centre', CENTRES)
def test_an_imprint_has_the_shape_of_the_ball(stage, approach, centre):
    """Where an elastic skin lies on a ball it is the ball: curvature 1 / R (Johnson, ch. 4).

    The skin of a half-space sinks in everywhere, so depth is only known up to a constant.
    """
    skin = partial(hertz_skin, radius=RADIUS, approach=approach, centre=centre)
    depth, _, _, inside = skin(X, Y)
    error = stage.process(shot(np.random.default_rng(11), skin)).depth - depth
    assert error[inside].std() < 6e-6


@pytest.mark.parametrize('approach', [0.1e-3, 0.3e-3, 0.5e-3])
def test_mask_is_the_contact_and_not_the_slope_around_it(stage, plain, approach):
    """Contact circle of Hertz (Johnson, Contact Mechanics, ch. 4): a^2 = R d."""
    skin = partial(hertz_skin, radius=RADIUS, approach=approach, centre=(-2e-3, 1e-3))
    image = shot(np.random.default_rng(12), skin, shift=(0.1e-3, 0))
    truth = skin(X, Y)[3]
    for found in (stage.process(image), plain.process(image)):
        assert found.in_contact and overlap(found.mask, truth) > 0.75
        assert found.area == pytest.approx(found.mask.sum() * 0.12e-3 ** 2)
        assert found.area == pytest.approx(np.pi * RADIUS * approach, rel=0.25)
        assert np.hypot(*(found.centroid - (-2e-3, 1e-3))) < 60e-6


def test_two_contacts_are_two(stage):
    def two(x, y):
        left = hertz_skin(x, y, RADIUS, 0.4e-3, (-4e-3, 1e-3))
        right = hertz_skin(x, y, RADIUS, 0.2e-3, (5e-3, -1e-3))
        return *(a + b for a, b in zip(left[:3], right[:3], strict=True)), left[3] | right[3]

    mask = stage.process(shot(np.random.default_rng(13), two)).mask
    assert cv2.connectedComponents(mask.view(np.uint8))[0] == 3        # the background is one
    assert overlap(mask, two(X, Y)[3]) > 0.75


@pytest.mark.parametrize('shift', [(0.0, 0.0), (0.5e-3, 0.2e-3)])
def test_false_colours_of_a_compressed_picture_are_no_second_contact(stage, shift):
    ball = partial(hertz_skin, radius=RADIUS, approach=0.5e-3, centre=(-2e-3, 1e-3))
    for quality in (90, 75):
        image = shot(np.random.default_rng(15), ball, shift)
        packed = cv2.imencode('.jpg', image, [cv2.IMWRITE_JPEG_QUALITY, quality])[1]
        mask = stage.process(cv2.imdecode(packed, cv2.IMREAD_COLOR)).mask
        assert cv2.connectedComponents(mask.view(np.uint8))[0] == 2
        assert overlap(mask, ball(X, Y)[3]) > 0.8


@pytest.mark.parametrize('turn', [0.0, 0.3])
def test_a_contact_cut_by_the_border_is_filled(stage, turn):
    def log(x, y):
        across = np.cos(turn) * y - np.sin(turn) * x
        depth, _, slope, inside = hertz_skin(0 * x, across, RADIUS, 0.3e-3, (0, 1e-3))
        return depth, -np.sin(turn) * slope, np.cos(turn) * slope, inside

    mask = stage.process(shot(np.random.default_rng(13), log)).mask
    assert overlap(mask, log(X, Y)[3]) > 0.8


def test_without_a_model_there_is_a_mask_but_no_depth(plain):
    skin = partial(sphere_cap, radius=RADIUS, approach=0.3e-3)
    contact = plain.process(shot(np.random.default_rng(14), skin))
    assert contact.in_contact and np.isnan(contact.depth).all()
    assert np.isnan(contact.centroid_depth) and np.hypot(*contact.centroid) < 50e-6


def assert_empty(contact):
    assert not contact.in_contact and contact.area == 0 and not contact.mask.any()
    assert contact.mask.dtype == bool and contact.depth.dtype == np.float32
    assert contact.mask.shape == contact.depth.shape == WORK.shape
    assert contact.centroid.shape == (2,) and np.isnan(contact.centroid).all()
    assert np.isnan(contact.centroid_depth)


def test_no_change_is_exactly_nothing():
    image = shot(np.random.default_rng(15))
    builder = ReferenceBuilder(GEOMETRY.shape)
    for _ in range(5):
        builder.add(image)
    stage = ContactStage(GEOMETRY, MARKED, shading())
    stage.set_reference(builder.finish())
    contact = stage.process(image)
    assert_empty(contact)
    assert not contact.depth.any()
    np.testing.assert_allclose(contact.light_gain, 1.0, atol=1e-12)


def test_a_skin_at_rest_gives_no_contact(stage, plain):
    rng = np.random.default_rng(16)
    for _ in range(30):
        image = shot(rng)
        contact = stage.process(image)
        assert_empty(contact)
        assert contact.depth.std() < 1.5e-6
        assert_empty(plain.process(image))


def test_false_alarms_of_a_cell_are_as_rare_as_stated(stage, monkeypatch):
    """The squared change of cells at rest is chi-squared with 2 degrees of freedom."""
    found, squared_change = {}, finding._squared_change

    def watch(slope, metric):
        squared = squared_change(slope, metric)
        found.setdefault(squared.shape, []).append(squared.ravel())
        return squared

    monkeypatch.setattr(finding, '_squared_change', watch)
    rng = np.random.default_rng(17)
    for _ in range(40):
        stage.process(shot(rng))
    assert len(found) == 2                      # fine, and the second, wide look
    for shape, frames in found.items():
        squared, wide = np.concatenate(frames), shape != WORK.shape
        assert squared.mean() == pytest.approx(2, rel=0.15 if wide else 0.1)
        for probability in (0.1, 0.01, 1e-3, finding.CHANGED_PROBABILITY):
            rate = (squared > -2 * np.log(probability)).mean()
            rare = probability <= 1e-3
            assert rate == pytest.approx(probability, rel=(0.5 if rare else 0.15) * (1 + wide))


@pytest.mark.parametrize('light', [(1.05, 1, 1), (1, 0.95, 1), (1.05, 0.95, 1.05),
                                   (0.7, 0.7, 0.7), (1, 1, 0.8)])
def test_drifting_leds_are_no_contact(stage, plain, light):
    image = shot(np.random.default_rng(18), light=light)
    contact = stage.process(image)
    assert_empty(contact)
    assert np.abs(contact.depth).max() < 15e-6
    # a tenth of a channel's light is another LED's
    np.testing.assert_allclose(contact.light_gain, light, atol=0.15 * np.ptp(light) + 0.01)
    assert_empty(plain.process(image))


@pytest.mark.parametrize('light', [(1.05, 1.05, 1.05), (1.05, 0.95, 1.05), (1, 1, 0.85)])
@pytest.mark.parametrize('approach', [0.3e-3, 0.5e-3])
def test_drifting_leds_leave_depth_and_mask_as_they_are(stage, light, approach):
    skin = partial(sphere_cap, radius=RADIUS, approach=approach, centre=(2e-3, 1e-3))
    before = stage.process(shot(np.random.default_rng(19), skin))
    after = stage.process(shot(np.random.default_rng(19), skin, light=light))
    inside = skin(X, Y)[3]
    assert np.abs(after.depth - before.depth)[inside].mean() < 10e-6
    assert overlap(after.mask, before.mask) > 0.95


def test_a_contact_over_half_of_the_image_does_not_pass_for_drift(stage):
    skin = partial(sphere_cap, radius=30e-3, approach=0.6e-3, centre=(-2e-3, 0))
    depth, _, _, inside = skin(X, Y)
    assert inside.mean() > 0.35
    contact = stage.process(shot(np.random.default_rng(20), skin, light=(1.05, 1, 0.97)))
    assert overlap(contact.mask, inside) > 0.85
    assert np.sqrt(np.square(contact.depth - depth)[inside].mean()) < 0.1 * 0.6e-3


def test_moving_markers_are_no_contact(stage, plain):
    rng = np.random.default_rng(21)
    for shift in ((0.1e-3, 0), (0.3e-3, 0.2e-3), (0.7e-3, -0.4e-3)):
        image = shot(rng, shift=shift)
        contact = stage.process(image)
        assert_empty(contact)
        assert np.abs(contact.depth).max() < 12e-6
        assert_empty(plain.process(image))


def test_light_gone_means_nothing_is_measured(stage):
    for image in (np.zeros((*GEOMETRY.shape, 3), np.uint8),
                  shot(np.random.default_rng(22), light=(1, 1, 0.02))):
        contact = stage.process(image)
        assert_empty(contact)
        assert np.isnan(contact.depth).all()


def test_clear_elastomer_gives_an_empty_result(reference):
    clear = Elastomer('clear', ElastomerKind.CLEAR_MARKERS, 3e-3, 4e5, 0.48, 1.5e-3, 0.5e-3)
    stage = ContactStage(GEOMETRY, clear, shading())
    stage.set_reference(reference)
    skin = partial(sphere_cap, radius=RADIUS, approach=0.5e-3)
    contact = stage.process(shot(np.random.default_rng(23), skin))
    assert_empty(contact)
    assert np.isnan(contact.depth).all()


def test_a_dark_reference_finds_nothing_rather_than_noise():
    rng = np.random.default_rng(24)
    dark = [rng.integers(0, 3, (*GEOMETRY.shape, 3)).astype(np.uint8) for _ in range(10)]
    builder = ReferenceBuilder(GEOMETRY.shape)
    for image in dark:
        builder.add(image)
    stage = ContactStage(GEOMETRY, MARKED, shading())
    stage.set_reference(builder.finish())
    assert_empty(stage.process(dark[0]))


def test_wrong_input_is_refused(stage, reference):
    fresh = ContactStage(GEOMETRY, MARKED)
    with pytest.raises(DataError, match='no reference yet'):
        fresh.process(np.zeros((240, 320, 3), np.uint8))
    with pytest.raises(DataError, match='wrong reference'):
        ContactStage(ImageGeometry(120, 160, 1e-4), MARKED).set_reference(reference)
    grey = Reference(np.repeat(reference.mean_q8[..., :1], 3, axis=2), reference.noise_q8,
                     reference.frames)
    with pytest.raises(DataError, match='grey images, but a calibration with colour'):
        ContactStage(GEOMETRY, MARKED, shading()).set_reference(grey)
    for image in (np.zeros((120, 160, 3), np.uint8), np.zeros((240, 320, 3), np.float32)):
        with pytest.raises(DataError, match='wrong image'):
            stage.process(image)


def test_the_input_is_left_alone_and_a_frame_gives_the_same_every_time(stage):
    skin = partial(sphere_cap, radius=RADIUS, approach=0.4e-3)
    image = shot(np.random.default_rng(25), skin)
    copy = image.copy()
    first = stage.process(image)
    stage.process(shot(np.random.default_rng(26)))
    second = stage.process(image)
    np.testing.assert_array_equal(image, copy)
    np.testing.assert_array_equal(first.depth, second.depth)
    np.testing.assert_array_equal(first.mask, second.mask)
