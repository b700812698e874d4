# SPDX-License-Identifier: Apache-2.0
from dataclasses import replace

import numpy as np
import pytest

from tactile_nodes.calibration.scale import find_geometry
from tactile_nodes.core.geometry import ImageGeometry
from tactile_nodes.core.reference import ReferenceBuilder
from tactile_nodes.core.types import Elastomer, ElastomerKind
from tactile_nodes.errors import DataError
from tests.skin_pictures import dots, flat, picture


def untouched(geometry):
    """Reference of dots as a camera with that geometry sees them."""
    rng = np.random.default_rng(1)
    x, y = np.meshgrid(*geometry.axes())
    stretch = 1 + geometry.distortion * (x**2 + y**2) / (x[0, 0]**2 + y[0, 0]**2)
    builder = ReferenceBuilder(geometry.shape)
    for _ in range(5):
        builder.add(picture(geometry, flat, reflectance=dots(stretch * x, stretch * y),
                            noise=1.0, rng=rng))
    return builder.finish()


@pytest.mark.parametrize('scale', [42e-6, 52e-6, 60e-6, 70e-6])
def test_scale_of_an_exact_lattice(scale):
    elastomer = Elastomer('marked', ElastomerKind.REFLECTIVE_MARKERS, 3e-3, 4e5, 0.48, 1.5e-3,
                          0.5e-3)
    found, _, part = find_geometry(untouched(ImageGeometry(240, 320, scale)), elastomer)
    assert part.done and 'from the markers' in part.result
    assert found.metres_per_px == pytest.approx(scale, rel=1e-3)
    assert abs(found.distortion) < 1e-3


@pytest.mark.parametrize('distortion', [-0.04, 0.01, 0.06])
def test_distortion_of_an_exact_lattice(distortion):
    """The lens of the test picture, defined as in Brown (1971)."""
    elastomer = Elastomer('marked', ElastomerKind.REFLECTIVE_MARKERS, 3e-3, 4e5, 0.48, 1.5e-3,
                          0.5e-3)
    bent = untouched(ImageGeometry(240, 320, 60e-6, distortion))
    found, _, _ = find_geometry(bent, elastomer)
    assert found.distortion == pytest.approx(distortion, abs=1e-3)
    assert found.metres_per_px == pytest.approx(60e-6, rel=1e-3)
    known, _, _ = find_geometry(bent, elastomer, given=60e-6)
    assert (known.metres_per_px, known.distortion) == (60e-6, found.distortion)


def test_scale_from_contact_points():
    """Turned, shifted and noisy points of a known scale, one of them far off."""
    plain, rng = Elastomer('plain', ElastomerKind.REFLECTIVE, 3e-3, 4e5, 0.48), \
        np.random.default_rng(3)
    pixels = rng.uniform((0, 0), (320, 240), (60, 2))
    turn = 0.02
    rotation = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    points = 60e-6 * (pixels - (160, 120)) @ rotation + rng.normal(0, 50e-6, (60, 2))
    points[7] += 5e-3
    picture_of = untouched(ImageGeometry(240, 320, 60e-6))
    found, _, part = find_geometry(picture_of, plain, points=(points, pixels))
    assert found.metres_per_px == pytest.approx(60e-6, rel=5e-3)
    assert 'contact points' in part.result and abs(found.distortion) < 0.02
    with pytest.raises(DataError, match='too few or too close.*--mm-per-px'):
        find_geometry(picture_of, plain, points=(points[:5], pixels[:5]))


@pytest.mark.parametrize(('axes', 'why'), [
    ([[0, -1], [1, 0]], "turned.*'90 degrees'"), ([[-1, 0], [0, -1]], 'turned'),
    ([[0.966, -0.259], [0.259, 0.966]], "turned.*'15 degrees'"), ([[1, 0], [0, -1]], 'mirrored'),
    ([[0, 0], [0, 0]], 'not follow|turned'), ([[1e3, 0], [0, 1e3]], 'impossible image scale')])
def test_contact_points_in_other_axes_are_refused(axes, why):
    plain, rng = Elastomer('plain', ElastomerKind.REFLECTIVE, 3e-3, 4e5, 0.48), \
        np.random.default_rng(4)
    pixels = rng.uniform((0, 0), (320, 240), (40, 2))
    points = 60e-6 * (pixels - (160, 120)) @ axes
    points += rng.normal(0, 2.5e-3 * (why[0] == 'n'), (40, 2))
    untouched_skin = untouched(ImageGeometry(240, 320, 60e-6))
    with pytest.raises(DataError, match=why):
        find_geometry(untouched_skin, plain, points=(points, pixels))
    if 'turned' in why and why[0] == 't':       # a few tell that, too, where they do not the scale
        with pytest.raises(DataError, match='turned'):
            find_geometry(untouched_skin, plain, given=60e-6, points=(points[:9], pixels[:9]))


@pytest.fixture(scope='module')
def marked():
    """Reference at 60 um/px of markers 1.5 mm apart, elastomer, and contact points that fit."""
    elastomer = Elastomer('marked', ElastomerKind.REFLECTIVE_MARKERS, 3e-3, 4e5, 0.48, 1.5e-3,
                          0.5e-3)
    rng = np.random.default_rng(4)
    pixels = rng.uniform((40, 40), (280, 200), (60, 2))
    points = 60e-6 * (pixels - (160, 120)) + rng.normal(0, 50e-6, (60, 2))
    return untouched(ImageGeometry(240, 320, 60e-6)), elastomer, points, pixels


@pytest.mark.parametrize('mistaken', [0.8, 0.95, 1.25])
def test_a_pitch_that_contact_points_contradict_is_corrected(marked, mistaken):
    picture_of, elastomer, *points = marked
    stated = replace(elastomer, marker_pitch=mistaken * 1.5e-3)
    found, corrected, part = find_geometry(picture_of, stated, points=points)
    assert found.metres_per_px == pytest.approx(60e-6, rel=5e-3)
    assert corrected.marker_pitch == pytest.approx(1.5e-3, rel=5e-3)
    assert 'from 60 reference contact points' in part.result
    assert f'the markers say {60 * mistaken:.2f} um/px' in part.notes[0]
    assert 'Correct marker_pitch_mm in the elastomer file: 1.' in part.advice


@pytest.mark.parametrize(('mistaken', 'corrected'), [(1.045, False), (1.1, True)])
def test_places_that_marker_motion_tells_have_to_contradict_more(marked, mistaken, corrected):
    picture_of, elastomer, *points = marked
    clear = replace(elastomer, kind=ElastomerKind.CLEAR_MARKERS,
                    marker_pitch=mistaken * elastomer.marker_pitch)
    found, *_ = find_geometry(picture_of, clear, points=points)
    assert found.metres_per_px == pytest.approx(60e-6 if corrected else mistaken * 60e-6, rel=4e-3)


def test_markers_count_where_contact_points_agree_or_are_nonsense(marked):
    """Within a print's tolerance; and in millimetres instead of metres."""
    picture_of, elastomer, points, pixels = marked
    for factor, cautions in ((1.02, 0), (1e3, 1)):
        found, same, part = find_geometry(picture_of, elastomer, points=(factor * points, pixels))
        assert found.metres_per_px == pytest.approx(60e-6, rel=1e-3) and same == elastomer
        assert len(part.notes) == cautions and ('units' in part.advice) == bool(cautions)


def test_a_given_scale_counts_and_says_the_pitch(marked):
    picture_of, elastomer, *points = marked
    found, corrected, part = find_geometry(picture_of, elastomer, given=50e-6, points=points)
    assert found.metres_per_px == 50e-6
    assert corrected.marker_pitch == pytest.approx(1.25e-3, rel=2e-3)
    assert '60.' in part.notes[0] and 'Check the scale' in part.advice


def test_without_evidence_the_scale_must_be_given():
    elastomer = Elastomer('plain', ElastomerKind.REFLECTIVE, 3e-3, 4e5, 0.48)
    picture_of = untouched(ImageGeometry(240, 320, 60e-6))
    with pytest.raises(DataError, match='--mm-per-px'):
        find_geometry(picture_of, elastomer)
    assert find_geometry(picture_of, elastomer, given=7e-5)[0] == ImageGeometry(240, 320, 7e-5)
