# SPDX-License-Identifier: Apache-2.0
"""A whole calibration from a short virtual press session, with a file that is far off."""

import dataclasses
from types import SimpleNamespace

import numpy as np
import pytest

from tactile_nodes.calibration.calibrate import calibrate
from tactile_nodes.calibration.indentations import Indentation
from tactile_nodes.calibration.session import Recording
from tactile_nodes.core.types import Elastomer, ElastomerKind
from tactile_nodes.virtual.mechanics import LayerContact, Pose, Sphere
from tactile_nodes.virtual.optics import REFERENCE_EXPOSURE, SkinCamera, optics_of
from tactile_nodes.virtual.scenario import GRID_PITCH, GRID_SHAPE

pytestmark = pytest.mark.timeout(600)      # on a busy machine; 25 s of processor time

TRUE = Elastomer('soft', ElastomerKind.REFLECTIVE_MARKERS, 3e-3, 0.41e6, 0.48, 1.5e-3, 0.5e-3)
STATED = dataclasses.replace(TRUE, thickness=6e-3, youngs_modulus=1e6, marker_pitch=1.8e-3)
RATE, IDLE, LATE = 20.0, 8, 0.017            # frames a second, frames between presses, s
PLACES = [(x, y) for y in (-4e-3, 0, 4e-3) for x in (-6e-3, -2e-3, 2e-3, 6e-3)]
ZERO = np.array([0.2, -0.1, 0.4, 1e-3, -2e-3, 1e-3])


def states():
    """Skin displacement and wrench of every frame, and when each press is on."""
    contact = LayerContact(TRUE, GRID_SHAPE, GRID_PITCH)
    free = contact.state.displacement, np.zeros(6)
    frames, presses = [free] * 16, []
    for number, place in enumerate(PLACES):
        contact.reset()
        ball, force = Sphere(4e-3), 1.0 + 0.25 * number
        begin = len(frames)
        script = [(0.25, 0), (0.5, 0), (0.75, 0), (1, 0), (1, 0), (1, 60e-6), (1, 60e-6),
                  (0.6, 0), (0.3, 0)]
        for part, drag in script:
            state = contact.step(contact.gap(ball, Pose(*place)), (drag, 0.4 * drag, 0), place,
                                 friction=0.8, force=part * force)
            frames.append((state.displacement, state.wrench))
        presses.append((begin / RATE, (len(frames) - 1) / RATE))
        frames += [free] * IDLE
    return frames, presses


@pytest.fixture(scope='module')
def mechanics():
    return states()


@pytest.fixture(scope='module')
def recording(mechanics):
    return recorded(TRUE, *mechanics)


def recorded(elastomer, frames, presses):
    """Press session of a fingertip with this elastomer."""
    optics = optics_of('VF-5')
    axes = LayerContact(elastomer, GRID_SHAPE, GRID_PITCH).axes
    camera = SkinCamera(elastomer, optics, optics.geometry(320, 240), *axes)
    light = SimpleNamespace(red=0.6, green=0.6, blue=0.6)
    images = [camera.picture(camera.as_seen(u), light, REFERENCE_EXPOSURE, 1.0)
              for u, _ in frames]
    stamps = [10**18 + round(i * 1e9 / RATE) for i in range(len(frames))]
    rng = np.random.default_rng(3)
    seconds = np.arange(0, len(frames) / RATE, 0.004)
    wrench = np.stack([np.interp(seconds - LATE, np.arange(len(frames)) / RATE, column)
                       for column in np.array([w for _, w in frames]).T], axis=1)
    wrench += ZERO + rng.normal(0, [3e-3] * 3 + [3e-5] * 3, wrench.shape)
    return Recording(
        'short', lambda: zip(stamps, images, strict=True),
        wrench_ns=np.round(seconds * 1e9).astype(np.int64) + 10**18, wrench=wrench,
        indentations=tuple(Indentation(*press, 'sphere', 4e-3) for press in presses))


@pytest.fixture(scope='module')
def outcome(recording):
    return calibrate(recording, STATED, serial='VF-5')


def test_every_part_is_done(outcome):
    assert {part.name: part.done for part in outcome.parts} == {
        'sensor': True, 'scale': True, 'shading': True, 'timing': True, 'force': True}


def test_scale_and_pitch_are_those_that_the_moments_tell(outcome):
    """The file's pitch, 1.8 mm, is 20 % off; forces and moments say where the presses are."""
    scale = optics_of('VF-5').geometry(320, 240).metres_per_px
    assert outcome.calibration.geometry.metres_per_px == pytest.approx(scale, rel=0.01)
    pitch = outcome.calibration.elastomer.marker_pitch
    assert pitch == pytest.approx(TRUE.marker_pitch, rel=0.01)
    assert outcome.calibration.elastomer == dataclasses.replace(STATED, marker_pitch=pitch)
    part = next(part for part in outcome.parts if part.name == 'scale')
    assert 'Correct marker_pitch_mm in the elastomer file: 1.5' in part.advice


def test_the_effective_layer_is_the_true_one(outcome):
    """Against the virtual fingertip's own layer; the file says twice of both."""
    layer = outcome.calibration.force.layer(STATED)
    assert layer.thickness == pytest.approx(TRUE.thickness, rel=0.07)
    assert layer.shear_modulus / layer.thickness == pytest.approx(
        TRUE.shear_modulus / TRUE.thickness, rel=0.05)


def test_zero_and_delay_are_the_true_ones(outcome):
    np.testing.assert_allclose(outcome.sensor.zero[:3], ZERO[:3], atol=3e-3)
    timing = next(part for part in outcome.parts if part.name == 'timing')
    assert float(timing.result.split()[3]) == pytest.approx(LATE * 1e3, abs=3)


def test_a_clear_skin_whose_background_moves(mechanics):
    """Its contact, the sensor's delay and the layer come from the markers; file as far off."""
    kind = ElastomerKind.CLEAR_MARKERS
    session = recorded(dataclasses.replace(TRUE, kind=kind), *mechanics)
    stated = dataclasses.replace(STATED, kind=kind, marker_pitch=TRUE.marker_pitch)
    outcome = calibrate(session, stated)
    timing = next(part for part in outcome.parts if part.name == 'timing')
    assert float(timing.result.split()[3]) == pytest.approx(LATE * 1e3, abs=5)
    assert outcome.calibration.elastomer.thickness == pytest.approx(TRUE.thickness, rel=0.12)
    assert outcome.force.figures['fx'].rmse < 5 and outcome.force.figures['fz'].rmse < 4
    places = [np.nanmedian(outcome.force.places[outcome.force.press == i], axis=0)
              for i in range(len(PLACES))]
    assert np.hypot(*(np.array(places) - PLACES).T).max() < 0.3e-3


def test_held_out_errors_and_their_stated_sd(outcome):
    figures = outcome.force.figures
    assert figures['fz'].rmse < 2.5 and figures['fx'].rmse < 3
    assert figures['fz'].full_scale == pytest.approx(3.75, rel=0.02)
    error = np.abs(outcome.force.estimate - outcome.force.reference)
    assert ((error < 2 * outcome.force.sd).mean(axis=0) > 0.8).all()


def test_one_sided_shear_and_few_presses_are_said(outcome):
    force = next(part for part in outcome.parts if part.name == 'force')
    assert any('fx: one-sided shear' in note for note in force.notes)
    assert 'Drag towards -x, too.' in force.advice
    assert 'only 12 presses' in force.notes


def test_without_a_sensor_the_rest_is_done(recording, monkeypatch):
    few = dataclasses.replace(recording, wrench=None, wrench_ns=None)
    found = calibrate(few, STATED)
    done = {part.name: part.done for part in found.parts}
    assert done == {'scale': True, 'shading': True, 'force': False}
    assert 'WrenchStamped' in found.parts[-1].advice
    assert found.calibration.force.correction is None


def test_too_few_presses_are_refused_with_what_to_record(recording):
    end = 10**18 + round(3.0 * 1e9)
    short = dataclasses.replace(
        recording, images=lambda: (pair for pair in recording.images() if pair[0] < end))
    found = calibrate(short, STATED)
    force = found.parts[-1]
    assert not force.done and 'too few presses' in force.result
    assert 'at least 30 presses' in force.advice


@pytest.mark.parametrize('kind', [ElastomerKind.REFLECTIVE_MARKERS, ElastomerKind.CLEAR_MARKERS])
def test_images_of_another_fingertip_are_told(recording, kind):
    """The sensor is pressed, and the pictures show skin at rest."""
    still = [image for (_, image), _ in zip(recording.images(), range(16), strict=False)]
    other = dataclasses.replace(recording, indentations=(), images=lambda: (
        (stamp, still[i % 16]) for i, (stamp, _) in enumerate(recording.images())))
    found = calibrate(other, dataclasses.replace(TRUE, kind=kind))
    assert not found.parts[-1].done and 'no contact' in found.parts[-1].result
    assert 'same fingertip' in found.parts[-1].advice


def test_another_sign_of_the_sensor_is_told(recording):
    found = calibrate(dataclasses.replace(recording, wrench=-recording.wrench, indentations=()),
                      STATED)
    assert not found.parts[-1].done and 'another sign' in found.parts[-1].result
