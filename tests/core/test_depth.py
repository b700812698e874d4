# SPDX-License-Identifier: Apache-2.0
import numpy as np
import pytest

from tactile_nodes.core.depth import (
    TERMS,
    ShadingModel,
    SteepShading,
    SteepSlopes,
    integrate_gradient,
    light_logs,
    position_terms,
)
from tactile_nodes.core.geometry import ImageGeometry
from tactile_nodes.errors import DataError

WORK = ImageGeometry(120, 160, 0.12e-3)
A = np.array([[1.1, 0, 0], [-1.1, 0, 0], [0, 0, 0]]) @ np.eye(3, TERMS)
B = np.array([[-0.7, 0, 0], [-0.7, 0, 0], [1.3, 0, 0]]) @ np.eye(3, TERMS)


def hills(x, y):
    """Height and exact gradient of a sum of Gaussians, m."""
    z, gx, gy = (np.zeros(np.broadcast(x, y).shape) for _ in range(3))
    for height, cx, cy, width in ((0.5e-3, 1e-3, 0.5e-3, 1.5e-3), (-0.2e-3, -3e-3, 2e-3, 2e-3),
                                  (0.3e-3, -5e-3, -4e-3, 1e-3)):
        bump = height * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / (2 * width ** 2))
        z += bump
        gx -= bump * (x - cx) / width ** 2
        gy -= bump * (y - cy) / width ** 2
    return z, gx, gy


@pytest.mark.parametrize(('dtype', 'limit'), [(np.float64, 1e-6), (np.float32, 1e-6)])
def test_integration_returns_an_analytic_surface(dtype, limit):
    z, gx, gy = hills(*np.meshgrid(*WORK.axes()))
    found = integrate_gradient(gx.astype(dtype), gy.astype(dtype), WORK.metres_per_px)
    assert found.dtype == dtype
    assert abs(found.mean()) < 1e-9
    # trapezoid rule: pitch^2 / 12 times the curvature's change, below 1 um here
    assert np.abs(found - (z - z.mean())).max() < limit


def test_integration_error_falls_with_the_square_of_the_pitch():
    errors = []
    for factor in (1, 2):
        grid = ImageGeometry(120 * factor, 160 * factor, 0.12e-3 / factor)
        z, gx, gy = hills(*np.meshgrid(*grid.axes()))
        found = integrate_gradient(gx, gy, grid.metres_per_px)
        errors.append(np.abs(found - (z - z.mean())).max())
    assert errors[0] / errors[1] == pytest.approx(4, rel=0.15)


def test_a_plane_is_exact_and_flat_is_flat():
    x, y = np.meshgrid(*WORK.axes())
    plane = integrate_gradient(np.full_like(x, 0.2), np.full_like(x, -0.1), WORK.metres_per_px)
    np.testing.assert_allclose(plane, 0.2 * x - 0.1 * y, atol=1e-15)
    zero = np.zeros(WORK.shape, np.float32)
    assert not integrate_gradient(zero, zero, WORK.metres_per_px).any()


def test_curl_is_averaged_out():
    """A pure rotation has no surface; least squares gives the flat one (Frankot & Chellappa)."""
    x, y = np.meshgrid(*WORK.axes())
    bump = np.exp(-(x ** 2 + y ** 2) / (2 * 1e-3 ** 2))
    found = integrate_gradient(-y / 1e-3 * bump, x / 1e-3 * bump, WORK.metres_per_px)
    assert np.abs(found).max() < 1e-6          # a slope like this without curl gives 0.6e-3


def test_white_slope_noise_gives_the_depth_noise_of_the_least_squares_solution():
    """Covariance of least squares by a dense solve on a small grid (Gauss-Markov)."""
    h, w, pitch, sd = 8, 10, 1.0, 0.01
    basis = np.eye(h * w).reshape(-1, h, w)
    zero = np.zeros((h, w))
    by_gx = np.stack([integrate_gradient(e, zero, pitch).ravel() for e in basis], axis=1)
    by_gy = np.stack([integrate_gradient(zero, e, pitch).ravel() for e in basis], axis=1)
    # normal equations of the mean-of-neighbours gradient, assembled on their own
    rows, samples_x, samples_y = [], [], []
    index = np.arange(h * w).reshape(h, w)
    for r in range(h):
        for c in range(w):
            for other, target in (((r, c + 1), samples_x), ((r + 1, c), samples_y)):
                if other[0] < h and other[1] < w:
                    row, sample = np.zeros(h * w), np.zeros(h * w)
                    row[index[other]], row[index[r, c]] = 1, -1
                    sample[[index[other], index[r, c]]] = pitch / 2
                    rows.append(row)
                    target.append((len(rows) - 1, sample))
    pseudo = np.linalg.pinv(np.array(rows))
    for found, samples in ((by_gx, samples_x), (by_gy, samples_y)):
        expected = sum(np.outer(pseudo[:, k], sample) for k, sample in samples)
        np.testing.assert_allclose(found, expected, atol=1e-12)
    noise = np.random.default_rng(6).normal(0, sd, (2, 4000, h * w))
    depth = noise[0] @ by_gx.T + noise[1] @ by_gy.T
    expected = sd * np.sqrt((by_gx ** 2 + by_gy ** 2).sum(axis=1))
    np.testing.assert_allclose(depth.std(axis=0), expected, rtol=0.06)


def test_slope_matrix_inverts_the_reflectance_equations():
    """Woodham (1980): three lights give slope and reflectance exactly, whatever they are."""
    model = ShadingModel(1.0, A + 0.05 * np.eye(3, TERMS), B, 0.0)
    rng = np.random.default_rng(7)
    gx, gy = rng.uniform(-0.4, 0.4, (2, *WORK.shape))
    paint = rng.uniform(0.2, 3, WORK.shape)
    a, b = model.ratios(WORK)
    light = paint * (1 - a * gx - b * gy) / np.sqrt(1 + gx ** 2 + gy ** 2)
    s, sx, sy = (model.slope_matrix(WORK) * light).sum(axis=1)
    np.testing.assert_allclose(sx / s, gx, atol=2e-6)
    np.testing.assert_allclose(sy / s, gy, atol=2e-6)
    np.testing.assert_allclose(s, paint / np.sqrt(1 + gx ** 2 + gy ** 2), rtol=1e-5)


def steep_light(model, gx, gy, at_rest):
    """Light ratios of the channels, (3, H, W), written out from the docstring."""
    terms = position_terms(WORK)
    colours = []
    for a, b, mean, soft, light in zip(model.a, model.b, model.ambient, model.softness,
                                       at_rest ** model.gamma, strict=True):
        ambient = mean * np.exp(np.log(light).mean()) / light
        across, down = np.tensordot(a, terms, 1), np.tensordot(b, terms, 1)
        facing, tilt2 = 1 - across * gx - down * gy, across**2 + down**2
        half = (facing + np.sqrt(facing**2 + soft**2 * tilt2 * (gx**2 + gy**2))) / 2
        colours.append(ambient + (1 - ambient) * half / np.sqrt(1 + gx**2 + gy**2))
    return np.tensordot(model.mix, colours, 1) ** (1 / model.gamma)


def test_steep_slopes_are_found_in_shadow_and_mixed_light():
    """Slopes to 1.2 from exact light, half within 0.02; light that no slope explains is told."""
    model = SteepShading(1.8, 2 * A, 2 * B, [0.2, 0.25, 0.3], [0.1, 0.2, 0.3],
                         [[0.9, 0.05, 0.05], [0.06, 0.88, 0.06], [0.0, 0.1, 0.9]])
    rng = np.random.default_rng(8)
    size, angle = rng.uniform(0.3, 1.2, WORK.shape), rng.uniform(0, 2 * np.pi, WORK.shape)
    slope = np.stack([size * np.cos(angle), size * np.sin(angle)]).reshape(2, -1)
    x, y = np.meshgrid(*WORK.axes())
    at_rest = np.exp(np.stack([x + y, -x, 0.5 * y]) / 30e-3)      # unevenly lit
    light = steep_light(model, *slope.reshape(2, *WORK.shape), at_rest).reshape(3, -1)
    cells = np.arange(slope.shape[1])
    slopes = SteepSlopes(model, WORK, 1.0, np.float32(at_rest))
    found, explained = slopes.solve(np.float32(light), cells, np.float32(0.7 * slope))
    assert explained.all()
    error = np.hypot(*(found - slope))
    assert np.median(error) < 0.02 and np.percentile(error, 95) < 0.1
    _, explained = slopes.solve(np.float32(0.2 * light), cells, np.float32(slope))
    assert explained.mean() < 0.05


def test_light_at_rest_is_told_without_the_print():
    """A lit wedge with dark dots, away from the borders."""
    x, y = np.meshgrid(*WORK.axes())
    wedge = np.exp(x / 20e-3)
    dots = np.hypot((x + 1e-3) % 1.5e-3 - 0.75e-3, y % 1.5e-3 - 0.75e-3) < 0.25e-3
    logs = light_logs(3 * [np.where(dots, 0.1, wedge).astype(np.float32)])
    np.testing.assert_allclose(logs[0].reshape(WORK.shape)[10:-10, 10:-10],
                               (x / 20e-3)[10:-10, 10:-10], atol=0.04)
    assert abs(logs.mean()) < 1e-6


def test_position_terms_do_not_depend_on_the_image_size():
    fine = position_terms(ImageGeometry(240, 320, 0.06e-3))
    coarse = position_terms(WORK)
    blocks = fine.reshape(TERMS, 120, 2, 160, 2).mean(axis=(2, 4))
    np.testing.assert_allclose(blocks[:3], coarse[:3], atol=1e-12)
    assert np.abs(blocks[3:] - coarse[3:]).max() < 1e-4
    assert coarse[1].min() > -1 and coarse[1].max() < 1


def test_unusable_models_are_refused():
    with pytest.raises(DataError, match='do not come from different directions'):
        ShadingModel(1.0, A[[0, 0, 2]], B[[0, 0, 2]], 0.0).slope_matrix(WORK)
    with pytest.raises(DataError, match='shading a'):
        ShadingModel(1.0, A[:, :3], B, 0.0)
    with pytest.raises(DataError, match='shading b'):
        ShadingModel(1.0, A, np.where(B > 1, np.nan, B), 0.0)
    with pytest.raises(DataError, match='gamma'):
        ShadingModel(0.0, A, B, 0.0)
    usual = {'gamma': 1.8, 'a': A, 'b': B, 'ambient': [0.2] * 3, 'softness': [0.1] * 3,
             'mix': np.eye(3)}
    for key, value in (('gamma', 9.0), ('a', A[:2]), ('ambient', [0.2, -0.1, 0.2]),
                       ('softness', [2.0, 0, 0]), ('mix', np.full((3, 3), 1 / 3))):
        with pytest.raises(DataError, match=f'steep shading {key}'):
            SteepShading(**{**usual, key: value})


def test_slopes_that_are_not_trusted_do_not_tilt_what_is_around():
    """One side of a hill is seen at half its slope; trusted little, it leaves the rest alone."""
    x, y = np.meshgrid(*WORK.axes())
    z, gx, gy = hills(x, y)
    side = (x > 1e-3) & (np.hypot(x - 1e-3, y - 0.5e-3) < 3e-3)
    gx, gy = (np.where(side, 0.5 * g, g) for g in (gx, gy))
    away = np.hypot(x - 1e-3, y - 0.5e-3) > 4e-3
    errors = []
    for trust in (None, np.where(side, 0.05, 1.0)):
        error = integrate_gradient(gx, gy, WORK.metres_per_px, trust) - z
        errors.append(error[away].std())
    assert errors[1] < 0.25 * errors[0]


def test_equal_trust_changes_nothing():
    _, gx, gy = hills(*np.meshgrid(*WORK.axes()))
    plain = integrate_gradient(gx, gy, WORK.metres_per_px)
    weighted = integrate_gradient(gx, gy, WORK.metres_per_px, np.full_like(gx, 0.7))
    np.testing.assert_allclose(weighted, plain, atol=1e-12)
