# SPDX-License-Identifier: Apache-2.0
import dataclasses

import cv2
import numpy as np
import pytest

from tactile_nodes.core.contact import ContactStage
from tactile_nodes.core.depth import ShadingModel, position_terms
from tactile_nodes.core.force import ForceModel, ForceStage
from tactile_nodes.core.markers import FlowStage
from tactile_nodes.core.pipeline import FingerPipeline
from tactile_nodes.core.reference import ReferenceBuilder
from tactile_nodes.core.types import Contact, Elastomer, ElastomerKind, ForceEstimate, MarkerField
from tactile_nodes.device.contract import Light
from tactile_nodes.errors import DataError
from tactile_nodes.virtual.mechanics import LayerContact, Pose, Punch, Sphere
from tactile_nodes.virtual.optics import SkinCamera, optics_of

SOFT = Elastomer('soft', ElastomerKind.REFLECTIVE_MARKERS, 3e-3, 0.41e6, 0.48, 1.5e-3, 0.5e-3)
LIGHT = Light(0.6, 0.6, 0.6)
EXACT = ForceModel(relative_sd=0.0)


class Bench:
    """A virtual fingertip's skin and camera, posed by hand."""

    def __init__(self, elastomer=SOFT):
        self.elastomer, self.optics = elastomer, optics_of('VF-1001')
        self.geometry = self.optics.geometry(320, 240)
        self.skin = LayerContact(elastomer, (62, 82), 0.24e-3)
        self.camera = SkinCamera(elastomer, self.optics, self.geometry, *self.skin.axes)
        builder = ReferenceBuilder(self.geometry.shape)
        for _ in range(20):
            builder.add(self.picture())
        self.reference = builder.finish()

    def picture(self):
        seen = self.camera.as_seen(self.skin.state.displacement)
        return self.camera.picture(seen, LIGHT, 8e-3, 1.0)

    def shading(self):
        """What a perfect calibration finds: the light's derivatives by slope, without print."""
        bare = dataclasses.replace(self.elastomer, kind=ElastomerKind.REFLECTIVE)
        camera = SkinCamera(bare, self.optics, self.geometry, *self.skin.axes)
        flat = camera.as_seen(np.zeros((3, *self.skin.shape)))

        def light(gx, gy):
            tilted = flat.copy()
            tilted[0], tilted[1] = -gx, -gy             # depth grows where z falls
            colour = camera.brightness(tilted, LIGHT)
            colour = cv2.resize(colour, self.geometry.work.shape[::-1],
                                interpolation=cv2.INTER_AREA)
            return colour.transpose(2, 0, 1) * np.sqrt(1 + gx * gx + gy * gy)

        terms = position_terms(self.geometry.work).reshape(6, -1).T
        a, b = (np.linalg.lstsq(terms, ((light(-s, -t) - light(s, t)) / 0.2 / light(0, 0))
                                .reshape(3, -1).T.astype(float), rcond=None)[0].T
                for s, t in ((0.1, 0), (0, 0.1)))
        return ShadingModel(1 / self.optics.gamma, a, b, 0.0)

    def press(self, indenter, force, pose):
        """Press, then shear a little."""
        gap = self.skin.gap(indenter, pose)
        self.skin.reset()
        self.skin.step(gap, friction=0.8, force=force)
        self.skin.step(gap, (60e-6, -30e-6, 0.02), (pose.x, pose.y), friction=0.8, force=force)
        return self.skin.state.wrench


@pytest.fixture(scope='module')
def bench():
    return Bench()


@pytest.fixture(scope='module')
def shading(bench):
    return bench.shading()


@pytest.fixture(autouse=True)
def untouched(bench):
    bench.skin.reset()


def ready(bench, shading):
    pipeline = FingerPipeline(bench.geometry, bench.elastomer, shading, EXACT)
    pipeline.set_reference(bench.reference)
    return pipeline


def test_untouched_skin_gives_an_empty_result(bench, shading):
    pipeline = ready(bench, shading)
    for stamp in range(5):
        contact, markers, estimate = pipeline.process(bench.picture(), stamp)
        assert isinstance(contact, Contact) and isinstance(markers, MarkerField)
        assert isinstance(estimate, ForceEstimate)
        assert not contact.in_contact
        assert (estimate.wrench == 0).all()
        assert (estimate.sd[:3] < 0.02).all()
        assert (estimate.stick_ratio, estimate.slipping) == (1.0, False)


@pytest.mark.parametrize(('indenter', 'force', 'pose'), [
    (Sphere(4e-3), 0.5, Pose(0, 0)), (Sphere(18e-3), 3.0, Pose(1.0e-3, -0.6e-3)),
    (Punch(2.5e-3, 0.4e-3), 1.5, Pose(-1.5e-3, 1.0e-3))], ids=['ball', 'plum', 'flat'])
def test_wrench_from_pictures_against_the_truth(bench, shading, indenter, force, pose):
    # the truth is a contact solved on another grid, seen through a noisy virtual camera
    pipeline = ready(bench, shading)
    for stamp in range(5):
        pipeline.process(bench.picture(), stamp)
    truth = bench.press(indenter, force, pose)
    contact, markers, estimate = pipeline.process(bench.picture(), 5)
    assert contact.in_contact and markers.valid.all()
    error = np.abs(estimate.wrench - truth) / force
    assert error[:2].max() < 0.02
    assert error[2] < 0.06
    assert error[3:].max() < 0.06 * 3e-3                # as a shift of the force, m
    assert (np.abs(estimate.wrench - truth) < 4 * estimate.sd).all()


@pytest.mark.parametrize(('indenter', 'force'), [(Sphere(4e-3), 1.5), (Sphere(10e-3), 3.0),
                                                 (Punch(2.5e-3, 0.4e-3), 1.5)])
def test_the_centroid_is_that_of_the_pressure_also_when_dragged(bench, shading, indenter, force):
    """Pressure centroid of the contact solver, on another grid, where the skin now is."""
    pipeline = ready(bench, shading)
    bench.skin.reset()
    for step in range(7):
        x = 0.08e-3 * max(0, step - 2)
        gap = bench.skin.gap(indenter, Pose(-0.5e-3 + x, 0.4e-3))
        bench.skin.step(gap, (0.08e-3 * (step > 2), 0, 0), friction=0.8,
                        force=force * min(1, (step + 1) / 3))
        contact = pipeline.process(bench.picture(), step)[0]
    assert abs(bench.skin.state.wrench[0]) > 0.25 * force
    assert np.hypot(*(contact.centroid - bench.skin.state.centroid)) < 0.1e-3


def through_topics(geometry, contact, markers):
    """Contact and MarkerField as the force stage of another process receives them."""
    f = geometry.work_factor
    mask = np.repeat(np.repeat(contact.mask.astype(np.uint8) * 255, f, 0), f, 1)
    depth = np.repeat(np.repeat(contact.depth, f, 0), f, 1)
    mask, depth = (np.frombuffer(a.tobytes(), a.dtype).reshape(a.shape)[::f, ::f]
                   for a in (mask, depth))
    return (dataclasses.replace(contact, mask=mask > 0, depth=depth),
            MarkerField(*(np.frombuffer(a.tobytes(), a.dtype).reshape(a.shape)
                          for a in (markers.ids, markers.rest, markers.displacement))))


def test_stages_joined_by_topics_give_the_same_numbers(bench, shading):
    pipeline = ready(bench, shading)
    contact_stage = ContactStage(bench.geometry, bench.elastomer, shading)
    flow_stage = FlowStage(bench.geometry, bench.elastomer)
    force_stage = ForceStage(bench.geometry, bench.elastomer, EXACT)
    contact_stage.set_reference(bench.reference)
    flow_stage.set_reference(bench.reference)
    pictures = [bench.picture() for _ in range(3)]
    for k in range(6):
        gap = bench.skin.gap(Sphere(8e-3), Pose(0.5e-3, 0.2e-3))
        bench.skin.step(gap, (k * 10e-6, 0, 0), friction=0.8, force=1.0)
        pictures.append(bench.picture())
    for k, picture in enumerate(pictures):
        whole = pipeline.process(picture, k * 16_000_000)[2]
        parts = through_topics(bench.geometry, contact_stage.process(picture),
                               flow_stage.process(picture))
        split = force_stage.process(*parts, k * 16_000_000)
        assert (whole.wrench == split.wrench).all()
        assert (whole.sd == split.sd).all()
        assert (whole.stick_ratio, whole.slipping) == (split.stick_ratio, split.slipping)
    assert whole.wrench[2] < -0.9


def test_without_shading_model_shear_is_still_measured(bench):
    pipeline = ready(bench, None)
    truth = bench.press(Sphere(8e-3), 1.0, Pose(0.4e-3, 0.2e-3))
    contact, _, estimate = pipeline.process(bench.picture(), 0)
    assert np.isnan(contact.depth).all()
    np.testing.assert_allclose(estimate.wrench[:2], truth[:2], atol=0.03)
    assert np.isfinite(estimate.sd).all()


def test_plain_elastomer_has_no_shear():
    bench = Bench(Elastomer('plain', ElastomerKind.REFLECTIVE, 3e-3, 0.41e6, 0.48))
    pipeline = ready(bench, bench.shading())
    truth = bench.press(Sphere(8e-3), 1.0, Pose(0.4e-3, 0.2e-3))
    _, markers, estimate = pipeline.process(bench.picture(), 0)
    assert len(markers.ids) == 0
    hidden = [0, 1, 5]
    assert (estimate.wrench[hidden] == 0).all() and np.isinf(estimate.sd[hidden]).all()
    assert abs(estimate.wrench[2] / truth[2] - 1) < 0.15


def test_there_must_be_a_reference(bench, shading):
    pipeline = FingerPipeline(bench.geometry, bench.elastomer, shading, EXACT)
    with pytest.raises(DataError, match='reference'):
        pipeline.process(bench.picture(), 0)


def test_picture_of_another_size_is_refused(bench, shading):
    with pytest.raises(DataError, match='wrong image'):
        ready(bench, shading).process(np.zeros((10, 10, 3), np.uint8), 0)
