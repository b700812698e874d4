# SPDX-License-Identifier: Apache-2.0
import dataclasses

import numpy as np
import pytest

from tactile_nodes.core.depth import TERMS, ShadingModel, SteepShading
from tactile_nodes.core.force_model import FEATURES, Correction, ForceModel
from tactile_nodes.core.geometry import ImageGeometry
from tactile_nodes.core.types import Elastomer, ElastomerKind
from tactile_nodes.errors import FileError
from tactile_nodes.files.calibration import Calibration, read_calibration, write_calibration

SOFT = Elastomer('soft', ElastomerKind.REFLECTIVE_MARKERS, 3e-3, 0.41e6, 0.48, 1.5e-3, 0.5e-3)
CALIBRATION = Calibration(
    serial='VF-1', elastomer=SOFT, created='2026-01-31T12:00:00+00:00', software_version='0.1.0',
    geometry=ImageGeometry(240, 320, 59.43e-6),
    shading=ShadingModel(1.65, np.linspace(-1, 1, 3 * TERMS).reshape(3, TERMS),
                         np.linspace(2, -2, 3 * TERMS).reshape(3, TERMS), 0.0066,
                         SteepShading(1.9, np.linspace(-3, 3, 3 * TERMS).reshape(3, TERMS),
                                      np.linspace(4, -4, 3 * TERMS).reshape(3, TERMS),
                                      [0.2, 0.3, 0.4], [0.1, 0.2, 0.0],
                                      [[0.9, 0.06, 0.04], [0.0, 1.0, 0.0], [0.1, 0.1, 0.8]],
                                      [90.0, -12.5, 3.0], 2e-3)),
    force=ForceModel(1.1, 0.05, 0.9, 0.47, Correction(
        np.linspace(-1, 1, 6 * len(FEATURES)).reshape(6, -1), np.full(6, 0.01), np.full(6, 0.02),
        np.full(6, 0.03), [4, 4, 8, 0.02, 0.03, 0.04])),
    statistics={'presses': 60, 'percent_of_full_scale': {'fx': {'rmse': 0.5}}})


@pytest.fixture
def path(tmp_path):
    path = tmp_path / 'cal.yaml'
    write_calibration(path, CALIBRATION)
    return path


def test_what_is_written_is_read(path):
    found = read_calibration(path, serial='VF-1', elastomer='soft')
    for key in ('serial', 'elastomer', 'created', 'software_version', 'statistics'):
        assert getattr(found, key) == getattr(CALIBRATION, key)
    for key in ('stiffness_scale', 'relative_sd', 'thickness_scale', 'poissons_ratio'):
        assert getattr(found.force, key) == getattr(CALIBRATION.force, key)
    for key in ('weights', 'floor', 'share_own', 'share_layer', 'full_scale'):
        np.testing.assert_allclose(getattr(found.force.correction, key),
                                   getattr(CALIBRATION.force.correction, key), rtol=1e-6)
    assert found.geometry.shape == (240, 320)
    assert found.geometry.metres_per_px == pytest.approx(59.43e-6, rel=1e-6)
    assert found.shading.gamma == 1.65 and found.shading.residual_sd == 0.0066
    for key in ('a', 'b'):
        np.testing.assert_allclose(getattr(found.shading, key),
                                   getattr(CALIBRATION.shading, key), atol=1e-5)
    for key in ('gamma', 'a', 'b', 'ambient', 'softness', 'mix', 'darkening', 'darkening_sd'):
        np.testing.assert_allclose(getattr(found.shading.steep, key),
                                   getattr(CALIBRATION.shading.steep, key), atol=1e-5)


def test_colours_that_do_not_add_up_are_refused_by_file_and_key(path):
    path.write_text(path.read_text().replace('[0.9, 0.06, 0.04]', '[0.3, 0.06, 0.04]'))
    with pytest.raises(FileError, match='cal.yaml: shading: steep shading mix.*adds up to 1'):
        read_calibration(path)


def test_without_shading(tmp_path):
    path = tmp_path / 'cal.yaml'
    write_calibration(path, dataclasses.replace(CALIBRATION, shading=None))
    assert 'shading' not in path.read_text()
    assert read_calibration(path).shading is None


@pytest.mark.parametrize(('wanted', 'found'), [({'serial': 'VF-2'}, 'VF-1'),
                                               ({'elastomer': 'hard'}, 'soft')])
def test_a_calibration_of_something_else_is_refused(path, wanted, found):
    (key, value), = wanted.items()
    with pytest.raises(FileError) as caught:
        read_calibration(path, **wanted)
    message = str(caught.value)
    assert f'cal.yaml: {key}: calibration of another {key}' in message
    assert repr(found) in message and value in message


def test_a_calibration_of_another_image_size_is_refused(path):
    assert read_calibration(path, size=(320, 240)).geometry.shape == (240, 320)
    with pytest.raises(FileError, match="cal.yaml: image: calibration of another image size, "
                                        "found '320x240', expected 640x480"):
        read_calibration(path, size=(640, 480))


@pytest.mark.parametrize(('old', 'new', 'expected'), [
    ('gamma: 1.65', 'gamma: 9', 'shading.gamma.*found 9'),
    ('gamma: 1.65', 'gama: 1.65', 'shading.gamma.*missing'),
    ('um_per_px: 59.43', 'um_per_px: -1', 'image.um_per_px'),
    ('um_per_px: 59.43', 'um_per_px: 59.43, dpi: 3', 'image.dpi.*unknown key'),
    ('width_px: 320', 'width_px: 321', 'image.*unusable image size'),
    ('stiffness_scale: 1.1', 'stiffness_scale: 0', 'force.stiffness_scale'),
    ('relative_sd: 0.05', 'relative_sd: 1.5', 'force.relative_sd'),
    ('features: [fx, fy', 'features: [fy, fx', 'force.correction.features.*Calibrate again'),
    ('full_scale: 8.0', 'full_scale: 0', 'force.correction.fz.full_scale'),
    ('floor: 0.01', 'floor: -1', 'force.correction.fx.floor'),
    ('statistics:', 'statistics: 3\nother:', 'statistics.*a mapping'),
    ('a: [-1.0, ', 'a: [', 'shading.blue.a.*a list of 6 numbers'),
    ("created: '2026-01-31", "created: 'yesterday", 'created'),
    ('serial: VF-1', 'serial: VF-1\nsensor: 3', 'sensor.*unknown key'),
    ('serial: VF-1', '', 'serial.*missing'),
    ('thickness_mm: 3.0', 'thickness_mm: 0', 'elastomer.thickness_mm'),
])
def test_a_wrong_file_is_refused_by_key(path, old, new, expected):
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new, 1))
    with pytest.raises(FileError, match=f'(?s)cal.yaml.*{expected}'):
        read_calibration(path)


def test_an_existing_file_is_never_lost(path):
    before = path.read_text()
    other = dataclasses.replace(CALIBRATION, serial='VF-9')
    with pytest.raises(FileError, match='the file exists.*--force'):
        write_calibration(path, other)
    assert path.read_text() == before
    write_calibration(path, other, overwrite=True)
    assert read_calibration(path).serial == 'VF-9'
    assert (path.parent / 'cal.yaml.bak').read_text() == before
    assert sorted(file.name for file in path.parent.iterdir()) == ['cal.yaml', 'cal.yaml.bak']


def test_a_folder_that_is_not_there_is_refused(tmp_path):
    with pytest.raises(FileError, match='cannot be written'):
        write_calibration(tmp_path / 'none' / 'cal.yaml', CALIBRATION)


@pytest.mark.parametrize('number', [1, 2, 3, 4])
def test_shipped_calibrations_fit_the_virtual_fingertips(number, request):
    serial = f'VF-100{number}'
    path = request.config.rootpath / 'config' / 'calibrations' / f'{serial}_soft_marked.yaml'
    found = read_calibration(path, serial=serial, elastomer='soft_marked')
    assert found.shading is not None and found.shading.residual_sd < 0.015
    found.shading.slope_matrix(found.geometry.work)
    # the mechanics' own layer
    assert found.force.stiffness_scale == pytest.approx(1, abs=0.05)
    assert found.force.thickness_scale == pytest.approx(1, abs=0.03)
    assert found.force.poissons_ratio == pytest.approx(found.elastomer.poissons_ratio, abs=0.01)
    assert found.force.correction is not None
