# SPDX-License-Identifier: Apache-2.0
"""A clear skin before a moving background: reference, contact and place from its markers alone."""

import numpy as np
import pytest
from scipy.interpolate import RegularGridInterpolator

from tactile_nodes.core.geometry import ImageGeometry
from tactile_nodes.core.motion_contact import PatchFinder, smallest_load
from tactile_nodes.core.pipeline import FingerPipeline
from tactile_nodes.core.reference import ReferenceBuilder
from tactile_nodes.core.types import Elastomer, ElastomerKind
from tactile_nodes.device.contract import Light
from tactile_nodes.errors import DataError
from tactile_nodes.virtual.mechanics import LayerContact, Pose, Punch, Sphere
from tactile_nodes.virtual.optics import SkinCamera, optics_of

CLEAR = Elastomer('clear', ElastomerKind.CLEAR_MARKERS, 3e-3, 0.41e6, 0.48, 1.5e-3, 0.5e-3)
WORK = ImageGeometry(240, 320, 60e-6).work
SD = 1.5e-6                     # m, error of a marker
LIGHT = Light(0.6, 0.6, 0.6)


@pytest.fixture(scope='module')
def skin():
    """The contact solver of the virtual fingertip, on a grid of its own."""
    return LayerContact(CLEAR, (62, 82), 0.24e-3)


@pytest.fixture(scope='module')
def rest():
    places = np.arange(-6, 7) * CLEAR.marker_pitch
    x, y = (a.ravel() for a in np.meshgrid(places, places))
    inside = (np.abs(x) < 9.2e-3) & (np.abs(y) < 6.8e-3)
    return np.stack([x[inside], y[inside]], axis=1)


@pytest.fixture(scope='module')
def finder(rest):
    finder = PatchFinder(WORK, CLEAR)
    finder.set_markers(rest)
    return finder


def motion(skin, rest, rng, sd=SD):
    """Motion of markers, with errors."""
    x, y = skin.axes
    exact = [RegularGridInterpolator((y, x), u)(rest[:, ::-1])
             for u in skin.state.displacement[:2]]
    return np.stack(exact, axis=1) + rng.normal(0, sd, rest.shape)


def push(skin, indenter, place, force, *, drag=(0.0, 0.0)):
    """Press and drag; returns where the pressure then acts."""
    skin.reset()
    steps = 3
    for share in np.linspace(1 / steps, 1, steps):
        skin.step(skin.gap(indenter, Pose(*place)), friction=0.8, force=share * force)
    for _ in range(steps):
        place = place + np.array(drag) / steps
        skin.step(skin.gap(indenter, Pose(*place)), (*np.array(drag) / steps, 0), friction=0.8,
                  force=force)
    return skin.state.centroid


CASES = [(Sphere(4e-3), (0.4e-3, -0.9e-3), 1.0, (0, 0)),
         (Sphere(4e-3), (-3.1e-3, 2.2e-3), 1.0, (0.25e-3, -0.1e-3)),
         (Sphere(10e-3), (2.7e-3, 1.1e-3), 3.0, (0.3e-3, 0.3e-3)),
         (Punch(2e-3, 0.3e-3), (-1.3e-3, -2.0e-3), 1.0, (-0.2e-3, 0.1e-3)),
         (Sphere(4e-3), (1.1e-3, 0.3e-3), 0.2, (0.1e-3, 0.0))]


@pytest.mark.parametrize('case', CASES)
def test_the_place_is_where_the_pressure_acts(finder, skin, rest, case):
    indenter, place, force, drag = case
    centre = push(skin, indenter, np.array(place), force, drag=drag)
    rng = np.random.default_rng(1)
    found = [finder.find(motion(skin, rest, rng)) for _ in range(10)]
    assert all(found)
    error = np.array([patch.centre for patch in found]) - centre
    assert np.sqrt(np.square(error).sum(axis=1).mean()) < 0.35e-3


def test_markers_at_rest_are_no_contact(finder, rest):
    """Also when a few of them err badly, as where an edge passes behind them."""
    rng = np.random.default_rng(2)
    for _ in range(300):
        noise = rng.normal(0, SD, rest.shape)
        wrong = rng.integers(len(rest), size=2)
        noise[wrong] += rng.normal(0, 20e-6, (2, 2))
        assert finder.find(noise.astype(np.float32)) is None


def test_a_load_above_the_smallest_is_seen_and_one_far_below_is_not(finder, skin, rest):
    press, drag = smallest_load(finder, SD)
    rng = np.random.default_rng(3)
    ball = Sphere(4e-3)
    for factor, seen in ((2.0, True), (0.4, False)):
        push(skin, ball, np.array([0.3e-3, 0.2e-3]), factor * press)
        found = [finder.find(motion(skin, rest, rng)) is not None for _ in range(20)]
        assert np.mean(found) > 0.9 if seen else np.mean(found) < 0.1
    assert 1e-3 < drag < press < 0.2                  # N; the skin shears more than it spreads


def test_lost_markers_are_done_without(finder, skin, rest):
    centre = push(skin, Sphere(4e-3), np.array([0.4e-3, -0.9e-3]), 1.0)
    moved = motion(skin, rest, np.random.default_rng(4))
    moved[np.hypot(*(rest - centre).T) < 1e-3] = np.nan
    assert np.hypot(*(finder.find(moved).centre - centre)) < 0.4e-3
    assert finder.find(np.full_like(moved, np.nan)) is None
    empty = PatchFinder(WORK, CLEAR)
    empty.set_markers(np.zeros((0, 2)))
    assert empty.find(np.zeros((0, 2))) is None


class Camera:
    """Pictures of the clear skin; the scene behind it moves with every one."""

    def __init__(self, skin):
        optics = optics_of('VF-1002')
        self.geometry = optics.geometry(320, 240)
        self._skin, self._camera = skin, SkinCamera(CLEAR, optics, self.geometry, *skin.axes)

    def picture(self):
        seen = self._camera.as_seen(self._skin.state.displacement)
        return self._camera.picture(seen, LIGHT, 8e-3, 1.0)


def test_from_pictures_before_a_moving_background(skin):
    skin.reset()
    camera = Camera(skin)
    builder = ReferenceBuilder(camera.geometry.shape, CLEAR)
    for _ in range(20):
        builder.add(camera.picture())
    pipeline = FingerPipeline(camera.geometry, CLEAR)
    pipeline.set_reference(builder.finish())
    for stamp in range(60):
        contact, markers, _ = pipeline.process(camera.picture(), stamp)
        assert not contact.in_contact and markers.valid.all()
    errors = []
    for indenter, place, force, drag in CASES[:3]:
        skin.reset()
        pipeline.process(camera.picture(), stamp)
        push(skin, indenter, np.array(place), force)
        pipeline.process(camera.picture(), stamp)
        truth = push(skin, indenter, np.array(place), force, drag=drag)
        contact = pipeline.process(camera.picture(), stamp)[0]
        assert contact.in_contact and np.isnan(contact.depth).all()
        assert 0.2 < contact.area / (skin.state.contact.sum() * skin.pitch**2) < 5
        row, column = np.rint(camera.geometry.work.to_pixel(contact.centroid)[0]).astype(int)
        assert contact.mask[row, column]
        errors.append(contact.centroid - truth)
    assert np.sqrt(np.square(errors).sum(axis=1).mean()) < 0.35e-3


def test_a_reference_is_refused_when_the_clear_skin_is_touched_meanwhile(skin):
    skin.reset()
    camera = Camera(skin)
    builder = ReferenceBuilder(camera.geometry.shape, CLEAR)
    for count in range(20):
        if count == 12:
            push(skin, Sphere(4e-3), np.array([1e-3, 1e-3]), 1.0)
        builder.add(camera.picture())
    with pytest.raises(DataError, match='the markers moved'):
        builder.finish()
