# SPDX-License-Identifier: Apache-2.0
"""The whole way from a virtual recording to a calibration file, and what it is worth."""

import cv2
import numpy as np
import pytest

from tactile_nodes.cli.main import main
from tactile_nodes.core.contact import ContactStage
from tactile_nodes.core.reference import ReferenceBuilder
from tactile_nodes.files.calibration import read_calibration
from tactile_nodes.files.elastomer import read_elastomer
from tests.virtual.still_presses import DEPTH, RADIUS, PressSession

SERIAL = 'VF-77'


@pytest.fixture(scope='module')
def elastomer_file(request):
    return request.config.rootpath / 'config' / 'elastomers' / 'soft_marked.yaml'


@pytest.fixture(scope='module')
def session(elastomer_file):
    return PressSession(read_elastomer(elastomer_file), SERIAL)


@pytest.fixture(scope='module')
def recording(session, tmp_path_factory):
    folder = tmp_path_factory.mktemp('presses')
    session.write(folder)
    return folder


@pytest.fixture(scope='module')
def arguments(recording, elastomer_file):
    return ['calibrate', str(recording / 'images'), '--serial', SERIAL,
            '--elastomer', str(elastomer_file),
            '--indentations', str(recording / 'indentations.csv')]


@pytest.fixture(scope='module')
def calibration(arguments, tmp_path_factory):
    path = tmp_path_factory.mktemp('out') / 'cal.yaml'
    path.write_text('the old one')
    assert main([*arguments, '--out', str(path), '--force']) == 0
    assert path.with_name('cal.yaml.bak').read_text() == 'the old one'
    return read_calibration(path, serial=SERIAL, elastomer='soft_marked')


def test_scale_is_the_true_one(calibration, session):
    """Against the virtual fingertip's own optics; markers are printed with an error of 20 um."""
    assert calibration.geometry.metres_per_px == pytest.approx(session.geometry.metres_per_px,
                                                               rel=3e-3)


def test_depth_and_mask_are_the_true_ones(calibration, session, recording, elastomer_file):
    """Against the virtual fingertip's mechanics: the ball's place and how deep it is."""
    images = sorted((recording / 'images').iterdir())
    builder = ReferenceBuilder(calibration.geometry.shape)
    for image in images[:30]:
        builder.add(cv2.imread(str(image)))
    stage = ContactStage(calibration.geometry, read_elastomer(elastomer_file),
                         calibration.shading)
    stage.set_reference(builder.finish())
    x, y = np.meshgrid(*calibration.geometry.work.axes())
    errors = []
    for press in session.indentations[::5]:
        contact = stage.process(cv2.imread(str(images[round(press.start_s * 60)])))
        out = np.hypot(x - press.x, y - press.y)
        on_ball = out < 1.3e-3
        ball = DEPTH - RADIUS + np.sqrt(RADIUS ** 2 - np.minimum(out, RADIUS / 2) ** 2)
        errors.append((contact.depth - ball)[on_ball])
        assert np.hypot(*(contact.centroid - (press.x, press.y))) < 60e-6
        assert contact.centroid_depth == pytest.approx(DEPTH, rel=0.05)
        assert contact.mask[on_ball].all() and not contact.mask[out > 2.4e-3].any()
    assert np.sqrt(np.square(np.concatenate(errors)).mean()) < 0.03 * DEPTH


def test_an_existing_file_is_kept(arguments, tmp_path, capsys):
    path = tmp_path / 'cal.yaml'
    path.write_text('mine')
    assert main([*arguments, '--out', str(path)]) == 2
    assert 'the file exists' in capsys.readouterr().err and path.read_text() == 'mine'


def test_a_scale_that_is_given_counts(arguments, tmp_path, capsys):
    path = tmp_path / 'cal.yaml'
    few = [part for part in arguments if not part.startswith('--ind') and '.csv' not in part]
    assert main([*few, '--out', str(path), '--mm-per-px', '0.06']) == 0
    shown = capsys.readouterr().out
    assert 'scale     60.00 um/px (given)' in shown
    assert 'shading   NOT CALIBRATED: no table of indentations was given' in shown
    assert 'force     NOT CALIBRATED: no reference force sensor' in shown
    assert '<h2>What was found</h2>' in path.with_suffix('.html').read_text()
    found = read_calibration(path)
    assert found.geometry.shape == (240, 320) and found.shading is None
    assert found.geometry.metres_per_px == pytest.approx(60e-6)


def test_bad_input_is_one_message(arguments, tmp_path, capsys):
    out = str(tmp_path / 'cal.yaml')
    missing = [str(tmp_path / 'none') if 'images' in part else part for part in arguments]
    assert main([*missing, '--out', out]) == 2
    assert len(capsys.readouterr().err.strip().splitlines()) == 1
    with pytest.raises(SystemExit) as caught:
        main([*arguments, '--out', out, '--mm-per-px', '60'])
    assert caught.value.code == 2 and '--mm-per-px' in capsys.readouterr().err
    assert not any(tmp_path.iterdir())
