# SPDX-License-Identifier: Apache-2.0
import dataclasses
from functools import partial

import numpy as np
import pytest
from scipy.optimize import approx_fprime

from tactile_nodes.calibration import shading
from tactile_nodes.calibration.shading import fit_shading
from tactile_nodes.core.contact import ContactStage
from tactile_nodes.core.depth import light_logs
from tactile_nodes.core.geometry import ImageGeometry
from tactile_nodes.core.reference import ReferenceBuilder
from tactile_nodes.core.types import Elastomer, ElastomerKind
from tactile_nodes.errors import DataError
from tests.skin_pictures import GAMMA, MIXING, dots, flat, light_ratios, picture, sphere_cap

GEOMETRY = ImageGeometry(240, 320, 60e-6)
X, Y = np.meshgrid(*GEOMETRY.work.axes())
RADIUS, APPROACH = 4e-3, 0.5e-3
MARKED = Elastomer('marked', ElastomerKind.REFLECTIVE_MARKERS, 3e-3, 4e5, 0.48, 1.5e-3, 0.5e-3)
CENTRES = [(x, y) for y in (-4.4e-3, 0, 4.4e-3) for x in (-6.6e-3, -2.2e-3, 2.2e-3, 6.6e-3)]


def still(skin, seed, shift=(0.0, 0.0), **options):
    rng = np.random.default_rng(seed)
    paint = dots(*np.meshgrid(*GEOMETRY.axes()), shift=shift)
    builder = ReferenceBuilder(GEOMETRY.shape)
    for _ in range(6):
        builder.add(picture(GEOMETRY, skin, reflectance=paint, noise=1.2, rng=rng,
                            **options))
    return builder.finish()


def ball(centre, approach=APPROACH):
    return partial(sphere_cap, radius=RADIUS, approach=approach, centre=centre)


@pytest.fixture(scope='module')
def reference():
    return still(flat, 1)


@pytest.fixture(scope='module')
def presses():
    return [(still(ball(centre), i, shift=(30e-6 * i, -20e-6 * i)).mean, RADIUS)
            for i, centre in enumerate(CENTRES)]


@pytest.fixture(scope='module')
def fit(presses, reference):
    return fit_shading(presses, reference, GEOMETRY, MARKED)


def test_circles_lights_and_response_are_those_of_the_forward_model(fit):
    """Against exact Lambert shading of an exact sphere."""
    assert np.hypot(*(fit.circles[:, :2] - CENTRES).T).max() < 20e-6
    assert fit.model.gamma == pytest.approx(GAMMA, rel=0.03)
    for found, exact in zip(fit.model.ratios(GEOMETRY.work), light_ratios(X, Y), strict=True):
        middle = np.s_[:, 15:-15, 15:-15]
        assert np.sqrt(np.square(found - exact)[middle].mean()) < 0.03 * np.abs(exact).max()
    assert fit.model.residual_sd < 0.01
    steep = fit.model.steep
    # so gentle slopes do not tell what comes from everywhere: that stays about what is usual
    assert steep.gamma == pytest.approx(GAMMA, rel=0.15) and steep.ambient.max() < 0.25
    np.testing.assert_allclose(steep.mix, MIXING / MIXING.sum(axis=1, keepdims=True), atol=0.06)
    assert fit.steepest == pytest.approx(0.8 * np.sqrt(2 * APPROACH / RADIUS), rel=0.25)


def test_darkening_is_that_of_lights_whose_plane_comes_closer(fit, reference):
    """Against the change of the light of flat skin that lies deeper, in the middle."""
    assert not fit.model.steep.darkening.any()                # these are as bright at any depth
    presses = [(still(ball(centre, approach), i, near=True).mean, RADIUS)
               for i, centre in enumerate(CENTRES) for approach in (0.4e-3, 0.7e-3)]
    steep = fit_shading(presses, reference, GEOMETRY, MARKED).model.steep
    light = [np.power(picture(GEOMETRY, lambda x, y, z=depth: (x * 0 + z, x * 0, x * 0, x > 0),
                              near=True)[115:125, 155:165].astype(float), GAMMA).mean()
             for depth in (0, 1e-3)]
    expected = np.log(light[0] / light[1]) / 1e-3
    assert expected > 30
    assert steep.darkening[0] == pytest.approx(expected, rel=0.3)


def test_depth_with_the_fitted_model_is_that_of_the_sphere(fit, reference):
    """RMS below 6 % of the depth, at a place and depth that was not calibrated with."""
    stage = ContactStage(GEOMETRY, MARKED, fit.model)
    stage.set_reference(reference)
    skin = ball((-4.2e-3, 2.1e-3), 0.4e-3)
    image = picture(GEOMETRY, skin, reflectance=dots(*np.meshgrid(*GEOMETRY.axes())), noise=1.2,
                    rng=np.random.default_rng(2))
    depth, _, _, inside = skin(X, Y)
    error = stage.process(image).depth - depth
    assert np.sqrt(np.square(error[inside]).mean()) < 24e-6


def test_jacobian_is_the_derivative_of_the_residuals(presses, reference, monkeypatch):
    caught = []

    def keep(imprints):
        caught.append(imprints)
        raise DataError('enough')

    monkeypatch.setattr(shading, '_fit', keep)
    with pytest.raises(DataError, match='enough'):
        fit_shading(presses, reference, GEOMETRY, MARKED)
    imprints = caught[0][:2]
    for imprint in imprints:
        for key in ('place', 'terms', 'ratio'):
            setattr(imprint, key, getattr(imprint, key)[:, ::9])
        imprint.inside = imprint.inside[::9]
    logs = light_logs(np.stack([np.exp(0.05 * (X + Y) / 1e-3), np.exp(0.1 * X / 1e-3),
                                np.exp(-0.4 * Y / 1e-3)]).astype(np.float32))
    for problem in (shading._Problem(imprints), shading._SteepProblem(imprints, logs)):
        start = problem.start()
        numeric = approx_fprime(start, problem.residuals, 1e-7)
        np.testing.assert_allclose(problem.jacobian(start), numeric, atol=3e-6)


def test_too_little_or_wrong_data_is_refused(presses, reference):
    with pytest.raises(DataError, match='too few indentations, found 5'):
        fit_shading(presses[:5], reference, GEOMETRY, MARKED)
    with pytest.raises(DataError, match=r'cover too little .*6 of 9 parts .*xx-, xx-, xx-'):
        left = [press for press, (x, _) in zip(presses, CENTRES, strict=True) if x < 0]
        fit_shading(left, reference, GEOMETRY, MARKED)
    with pytest.raises(DataError, match='too few indentations, found 2.*1 0 imprints instead'):
        fit_shading([*presses[:2], (reference.mean, RADIUS)], reference, GEOMETRY, MARKED)
    with pytest.raises(DataError, match='found 0.*12 larger than the ball can be.*radius_mm'):
        fit_shading([(press, 1e-3) for press, _ in presses], reference, GEOMETRY, MARKED)
    with pytest.raises(DataError, match='too shallow.*smaller ball'):
        fit_shading([(press, 20e-3) for press, _ in presses], reference, GEOMETRY, MARKED)
    with pytest.raises(DataError, match='clear'):
        clear = dataclasses.replace(MARKED, name='clear', kind=ElastomerKind.CLEAR_MARKERS)
        fit_shading(presses, reference, GEOMETRY, clear)


def test_a_wrong_picture_does_not_spoil_the_fit(presses, reference, fit):
    """One ball of twice the radius that the table says: left out, the rest counts."""
    other = still(partial(sphere_cap, radius=2 * RADIUS, approach=0.4e-3, centre=(1e-3, 1e-3)), 99)
    found = fit_shading([*presses, (other.mean, RADIUS), (reference.mean, RADIUS)], reference,
                        GEOMETRY, MARKED)
    assert len(found.circles) == len(fit.circles)
    np.testing.assert_allclose(found.model.a, fit.model.a, atol=0.02)
