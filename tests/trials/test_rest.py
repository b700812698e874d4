# SPDX-License-Identifier: Apache-2.0
"""Which frames of a recording become its no-contact reference.

Pictures come from the tests' own forward model: Lambert's law, a Hertzian imprint.
"""

from functools import partial
from types import SimpleNamespace

import numpy as np
import pytest

from tactile_nodes.core.depth import TERMS, ShadingModel, position_terms
from tactile_nodes.core.geometry import ImageGeometry
from tactile_nodes.core.types import Elastomer, ElastomerKind, Frame
from tactile_nodes.errors import DataError
from tactile_nodes.trials.rest import find_reference
from tests.skin_pictures import GAMMA, flat, hertz_skin, light_ratios, picture

GEOMETRY = ImageGeometry(240, 320, 60e-6)
SOFT = Elastomer('soft', ElastomerKind.REFLECTIVE, 3e-3, 0.4e6, 0.48)
TOUCH, ELSEWHERE = (partial(hertz_skin, radius=4e-3, approach=3e-4, centre=c)
                    for c in ((1e-3, 0.0), (-3e-3, 1e-3)))


@pytest.fixture(scope='module')
def calibration():
    x, y = np.meshgrid(*GEOMETRY.work.axes())
    terms = position_terms(GEOMETRY.work).reshape(TERMS, -1).T
    a, b = (np.linalg.lstsq(terms, ratio.reshape(3, -1).T, rcond=None)[0].T
            for ratio in light_ratios(x, y))
    return SimpleNamespace(geometry=GEOMETRY, elastomer=SOFT,
                           shading=ShadingModel(GAMMA, a, b, 0.0))


@pytest.fixture(scope='module')
def pictures():
    """Noisy pictures at will: rest, a touch, a touch elsewhere, or a number of steps dragged."""
    clean = {name: picture(GEOMETRY, skin).astype(np.float32)
             for name, skin in (('rest', flat), ('touch', TOUCH), ('elsewhere', ELSEWHERE))}
    clean |= {i: picture(GEOMETRY, partial(hertz_skin, radius=4e-3, approach=3e-4,
                                           centre=(i * 5e-5, 0.0))).astype(np.float32)
              for i in range(40)}
    rng = np.random.default_rng(3)

    def shoot(name, light=1.0):
        noisy = clean[name] * light + rng.normal(0, 1.2, clean[name].shape)
        return np.clip(np.round(noisy), 0, 255).astype(np.uint8)

    return shoot


def recording(pictures, *scenes):
    """`scenes`: (name, frames); as `Recording`, 60 Hz from 5 s on."""
    images = [pictures(name) for name, count in scenes for _ in range(count)]
    return SimpleNamespace(path='bag', frames=lambda: (
        Frame(image, 5 * 10**9 + n * 16_666_667, n) for n, image in enumerate(images)))


def level_of(found):
    return found.reference.mean[100:140, 170:190].mean(axis=(0, 1))


def test_first_frames_at_rest(pictures, calibration):
    seen = []
    found = find_reference(recording(pictures, ('rest', 40), ('touch', 20), ('rest', 10)),
                           calibration, 30, seen.append)
    assert found.reference.frames == 30 and seen == list(range(1, 71))
    assert found.about == '30 frames at rest from 0.00 s on'
    assert found.stamps_ns[-1] == 5 * 10**9 + 69 * 16_666_667
    rest = np.mean([pictures('rest') for _ in range(30)], axis=0)
    assert np.abs(found.reference.mean - rest).mean() < 0.4


def test_short_rest_and_a_long_touch_afterwards(pictures, calibration):
    found = find_reference(recording(pictures, ('rest', 8), ('touch', 60)), calibration, 30)
    assert 5 <= found.reference.frames <= 8 and 'from 0.00 s' in found.about


def test_a_recording_that_begins_touched(pictures, calibration):
    found = find_reference(recording(pictures, ('touch', 25), ('rest', 30), ('elsewhere', 30)),
                           calibration, 20)
    assert 'from 0.4' in found.about and 'touched' in found.about
    rest = np.mean([pictures('rest') for _ in range(20)], axis=0)
    assert np.abs(found.reference.mean - rest).mean() < 0.5


def test_never_untouched_or_never_at_rest(pictures, calibration):
    scenes = ('touch', 20), ('elsewhere', 20), ('touch', 20)
    with pytest.raises(DataError, match='no untouched skin.*an imprint.*half a second'):
        find_reference(recording(pictures, *scenes), calibration, 30)
    with pytest.raises(DataError, match='no untouched skin at rest.*moved'):
        find_reference(recording(pictures, *((i, 1) for i in range(40))), calibration, 30)
    with pytest.raises(DataError, match='too few images'):
        find_reference(recording(pictures, ('rest', 3)), calibration, 30)


def test_light_that_drifts_at_the_beginning(pictures, calibration):
    images = [pictures('rest', 1 + 0.003 * n) for n in range(30)] \
        + [pictures('touch', 1.09) for _ in range(30)]
    warming = SimpleNamespace(path='bag', frames=lambda: (
        Frame(image, n * 16_666_667, n) for n, image in enumerate(images)))
    found = find_reference(warming, calibration, 30)
    assert found.reference.frames == 8 and 'from 0.00 s' in found.about


def test_a_bag_that_is_never_touched(pictures, calibration):
    found = find_reference(recording(pictures, ('rest', 12)), calibration, 30)
    assert found.reference.frames >= 10
