# SPDX-License-Identifier: Apache-2.0
import numpy as np
import pytest

from tactile_nodes.calibration.scale import find_scale
from tactile_nodes.core.geometry import ImageGeometry
from tactile_nodes.core.reference import ReferenceBuilder
from tactile_nodes.core.types import Elastomer, ElastomerKind
from tactile_nodes.errors import DataError
from tests.skin_pictures import dots, flat, picture


def untouched(geometry):
    rng = np.random.default_rng(1)
    builder = ReferenceBuilder(geometry.shape)
    for _ in range(5):
        builder.add(picture(geometry, flat, reflectance=dots(*np.meshgrid(*geometry.axes())),
                            noise=1.0, rng=rng))
    return builder.finish()


@pytest.mark.parametrize('scale', [42e-6, 52e-6, 60e-6, 70e-6])
def test_scale_of_an_exact_lattice(scale):
    elastomer = Elastomer('marked', ElastomerKind.REFLECTIVE_MARKERS, 3e-3, 4e5, 0.48, 1.5e-3,
                          0.5e-3)
    found, part = find_scale(untouched(ImageGeometry(240, 320, scale)), elastomer)
    assert part.done and 'from the markers' in part.result
    assert found == pytest.approx(scale, rel=1e-3)


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
    found, part = find_scale(picture_of, plain, points=(points, pixels))
    assert found == pytest.approx(60e-6, rel=5e-3) and 'contact points' in part.result
    with pytest.raises(DataError, match='too few or too close.*--mm-per-px'):
        find_scale(picture_of, plain, points=(points[:5], pixels[:5]))


def test_without_evidence_the_scale_must_be_given():
    elastomer = Elastomer('plain', ElastomerKind.REFLECTIVE, 3e-3, 4e5, 0.48)
    picture_of = untouched(ImageGeometry(240, 320, 60e-6))
    with pytest.raises(DataError, match='--mm-per-px'):
        find_scale(picture_of, elastomer)
    assert find_scale(picture_of, elastomer, given=7e-5)[0] == 7e-5
