# SPDX-License-Identifier: Apache-2.0
import numpy as np
import pytest

from tactile_nodes.calibration.scale import scale_from_markers
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


@pytest.mark.parametrize('scale', [52e-6, 60e-6, 70e-6])
def test_scale_of_an_exact_lattice(scale):
    elastomer = Elastomer('marked', ElastomerKind.REFLECTIVE_MARKERS, 3e-3, 4e5, 0.48, 1.5e-3,
                          0.5e-3)
    found = scale_from_markers(untouched(ImageGeometry(240, 320, scale)), elastomer)
    assert found == pytest.approx(scale, rel=1e-3)


def test_without_markers_the_scale_must_be_given():
    elastomer = Elastomer('plain', ElastomerKind.REFLECTIVE, 3e-3, 4e5, 0.48)
    with pytest.raises(DataError, match='--mm-per-px'):
        scale_from_markers(untouched(ImageGeometry(240, 320, 60e-6)), elastomer)
