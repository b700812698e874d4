# SPDX-License-Identifier: Apache-2.0
from importlib.resources import files
from types import SimpleNamespace

import cv2
import numpy as np
import pytest
from scipy.interpolate import RegularGridInterpolator
from scipy.special import erfc

from tactile_nodes.core.geometry import ImageGeometry
from tactile_nodes.core.markers import FlowStage, track_points
from tactile_nodes.core.types import Elastomer, ElastomerKind
from tactile_nodes.device.contract import Light
from tactile_nodes.errors import DataError
from tactile_nodes.virtual.mechanics import LayerContact, Pose, Sphere
from tactile_nodes.virtual.optics import SkinCamera, optics_of
from tests.core.flow_error import angular_error, end_point_error

NOISE = 1.5           # grey levels, a realistic frame
PLAIN = Elastomer('plain', ElastomerKind.REFLECTIVE, 3e-3, 4e5, 0.48)


class Scene:
    """Soft-edged dots at exact places under three coloured lights; all in px (row, column)."""

    def __init__(self, height=240, width=320, pitch=25.0, diameter=8.3):
        self.shape, self.pitch, self.diameter = (height, width), pitch, diameter
        turn = np.array([[np.cos(0.02), -np.sin(0.02)], [np.sin(0.02), np.cos(0.02)]])
        n = int(width / pitch) + 2
        lattice = np.stack(np.meshgrid(*[np.arange(-n, n + 1)] * 2, indexing='ij'), -1)
        at = ((lattice + (0.3, -0.4)).reshape(-1, 2) * pitch) @ turn
        at += (np.array(self.shape) - 1) / 2
        inside = (at > diameter) & (at < np.array(self.shape) - 1 - diameter)
        self.rest = at[inside.all(axis=1)]
        self.geometry = ImageGeometry(height, width, 0.06e-3 * 320 / width)
        scale = self.geometry.metres_per_px
        self.elastomer = Elastomer('dots', ElastomerKind.REFLECTIVE_MARKERS, 3e-3, 4e5, 0.48,
                                   marker_pitch=pitch * scale, marker_diameter=diameter * scale)

    def light(self, bulge):
        """Three slanted lights; `bulge` adds the colours of a dome pressed into the skin."""
        y, x = ((np.arange(n) / n - 0.5) for n in self.shape)
        y = y[:, None]
        dome = bulge * np.exp(-((x - 0.1) ** 2 + 0.56 * (y + 0.05) ** 2) / 0.03) / 0.12
        return 200 * np.clip(np.stack([
            (0.55 + 0.5 * x + 0 * y) * (1 + dome * (x - 0.1)),
            (0.5 - 0.45 * y + 0 * x) * (1 - dome * (y + 0.05)),
            (0.5 - 0.3 * x + 0.35 * y) * (1 + dome * (0.7 * (y + 0.05) - 0.7 * (x - 0.1)))],
            axis=-1), 0.05, 1).astype(np.float32)

    def exact(self, moved=0.0, bulge=0.0, dots=slice(None)):
        """(H, W, 3) grey levels without noise."""
        albedo = np.ones(self.shape, np.float32)
        for centre in (self.rest + moved)[dots]:
            corner = np.rint(centre).astype(int) - int(self.diameter)
            rows, columns = (np.arange(max(c, 0), min(c + 2 * int(self.diameter) + 1, n))
                             for c, n in zip(corner, self.shape, strict=True))
            distance = np.hypot(rows[:, None] - centre[0], columns - centre[1])
            if distance.size:
                albedo[rows[0]:rows[-1] + 1, columns[0]:columns[-1] + 1] *= \
                    1 - 0.4 * erfc((distance - self.diameter / 2) / (np.sqrt(2) * 0.9))
        return albedo[..., None] * self.light(bulge)

    def image(self, moved=0.0, rng=None, **scene):
        """One 8-bit frame, noisy if there is a generator."""
        return frame(self.exact(moved, **scene), rng)

    def stage(self, mean=None):
        """FlowStage with a reference, here and in all that follows without noise."""
        stage = FlowStage(self.geometry, self.elastomer)
        mean = self.exact() if mean is None else mean
        stage.set_reference(SimpleNamespace(mean=mean.astype(np.float32)))
        return stage

    def match(self, field):
        """For each marker of a field, which of `rest` it is, and the distance in px."""
        at = self.geometry.to_pixel(field.rest)
        distance = np.hypot(*np.moveaxis(at[:, None] - self.rest, -1, 0))
        return distance.argmin(axis=1), distance.min(axis=1)

    def found(self, field):
        """Displacements in px, row and column, in the order of `rest`."""
        assert len(field.ids) == len(self.rest)
        found = np.empty_like(self.rest)
        found[self.match(field)[0]] = field.displacement[:, ::-1] / self.geometry.metres_per_px
        return found


def frame(exact, rng=None, noise=NOISE):
    """Expose a noisy 8-bit frame; white noise in every channel."""
    if rng is not None:
        exact = exact + noise * rng.standard_normal(exact.shape, dtype=np.float32)
    return np.clip(np.rint(exact), 0, 255).astype(np.uint8)


SCENE = Scene()
SIZES = [Scene(120, 160, 12.5, 4.2), SCENE, Scene(480, 640, 25.0, 8.3),
         Scene(480, 640, 50.0, 16.7)]


def bump(centre, width, peak):
    """Smooth displacement that fades away from `centre`, as in a bonded layer."""
    away = np.hypot(*(SCENE.rest - centre).T)
    return np.exp(-(away / width) ** 2 / 2)[:, None] * peak


@pytest.mark.parametrize('scene', SIZES)
def test_every_marker_is_found_and_numbered_by_lattice_row(scene):
    field = scene.stage().process(scene.image())
    assert len(field.ids) == len(scene.rest)
    index, distance = scene.match(field)
    assert len(set(index)) == len(index)
    assert distance.max() < 0.03
    assert (np.diff(field.ids) > 0).all()
    rows = np.split(scene.rest[index], np.flatnonzero(np.diff(scene.rest[index, 1]) < 0) + 1)
    assert all(np.ptp(row[:, 0]) < scene.pitch / 2 for row in rows)
    assert field.ids.dtype == np.int32
    assert field.rest.dtype == field.displacement.dtype == np.float32


def test_a_missing_dot_leaves_a_gap_and_the_others_their_number():
    whole = SCENE.stage().process(SCENE.image())
    gone = len(SCENE.rest) // 2
    seen = np.delete(np.arange(len(SCENE.rest)), gone)
    part = SCENE.stage(SCENE.exact(dots=seen)).process(SCENE.image(dots=seen))
    number = dict(zip(SCENE.match(whole)[0].tolist(), whole.ids.tolist(), strict=True))
    del number[gone]
    assert number == dict(zip(SCENE.match(part)[0].tolist(), part.ids.tolist(), strict=True))


def test_zero_motion_is_exactly_zero_also_after_motion():
    image = SCENE.image(rng=np.random.default_rng(1))
    stage = SCENE.stage(image)
    for moved in (0.0, 0.2, 0.5, 3.7, -8.0):
        stage.process(SCENE.image(moved))
        assert not stage.process(image).displacement.any()


@pytest.mark.parametrize('scene', SIZES)
@pytest.mark.parametrize('bulge', [0.0, 0.5])
def test_exact_shifts_are_found_to_three_hundredths_of_a_pixel(scene, bulge):
    """Bias and noise, also under strong coloured shading that the reference did not have."""
    rng = np.random.default_rng(2)
    stage = scene.stage()
    for moved in ([0.25, 0.5], [-1.7, 2.6]):
        exact = scene.exact(moved, bulge)
        error = np.array([scene.found(stage.process(frame(exact, rng))) for _ in range(5)]) - moved
        inside = ((scene.rest > 1.6 * scene.diameter)
                  & (scene.rest < np.array(scene.shape) - 1.6 * scene.diameter)).all(axis=1)
        assert np.isfinite(error).all()
        assert np.abs(error.mean(axis=0))[inside].max() < 0.03
        assert np.abs(error.mean(axis=(0, 1))).max() < 0.003
        assert error.std(axis=0).mean() < 0.012


@pytest.mark.parametrize('gradient', [
    [[0.0, 0.09], [-0.09, 0.0]],          # rotation
    [[0.06, 0.0], [0.0, -0.04]],          # stretch
    [[0.0, 0.08], [0.0, 0.0]],            # shear
])
def test_rotation_and_strain_by_barrons_measures(gradient):
    rng = np.random.default_rng(3)
    stage = SCENE.stage()
    true = (SCENE.rest - 120) @ np.array(gradient).T + (0.3, -0.6)
    for part in (0.25, 0.5, 0.75, 1.0):
        found = SCENE.found(stage.process(SCENE.image(part * true, rng)))
    seen = np.isfinite(found[:, 0])
    assert seen.mean() > 0.9              # the others left the image
    assert end_point_error(found, true)[seen].mean() < 0.02
    assert end_point_error(found, true)[seen].max() < 0.1
    assert angular_error(found, true)[seen].mean() < 0.3


def test_noise_is_near_the_cramer_rao_bound_and_grows_with_it():
    """Bound of a shift in white noise: variance / sum of squared slopes (S. M. Kay, 1993)."""
    rng = np.random.default_rng(4)
    exact = SCENE.exact([0.3, 0.3])
    slope = (SCENE.exact([0.3, 0.4]).mean(-1) - SCENE.exact([0.3, 0.2]).mean(-1)) / 0.2
    power = np.array([(slope[r - 8:r + 9, c - 8:c + 9] ** 2).sum()
                      for r, c in np.rint(SCENE.rest).astype(int)])
    stage = SCENE.stage()
    for noise in (0.7, 1.4, 2.8):
        found = np.array([SCENE.found(stage.process(frame(exact, rng, noise)))[:, 1]
                          for _ in range(25)])
        variance = (noise ** 2 + 1 / 12) / 3          # mean of three channels, each rounded
        ratio = np.sqrt(found.var(axis=0, ddof=1).mean() / (variance / power).mean())
        assert 1 < ratio < 1.5


def test_noise_alone_has_no_mean():
    rng = np.random.default_rng(5)
    stage = SCENE.stage()
    exact = SCENE.exact()
    found = np.array([SCENE.found(stage.process(frame(exact, rng))) for _ in range(60)])
    error = found.std(axis=(0, 1)) / np.sqrt(found[..., 0].size)
    assert (np.abs(found.mean(axis=(0, 1))) < 4 * error).all()


def test_nothing_drifts_over_many_frames():
    rng = np.random.default_rng(6)
    stage = SCENE.stage()
    for k in range(80):
        moved = [4 * np.sin(k / 5), 6 * np.sin(k / 7)]
        found = SCENE.found(stage.process(SCENE.image(moved, rng)))
    seen = np.isfinite(found[:, 0])
    assert seen.mean() > 0.95
    assert np.abs(found[seen].mean(axis=0) - moved).max() < 0.005


def test_identity_through_a_sweep_of_three_millimetres():
    """50 px, two marker pitches, at 4 px a frame."""
    rng = np.random.default_rng(7)
    stage = SCENE.stage()
    for reach in (*np.arange(0, 50, 4), 50.0, *np.arange(48, -1, -4)):
        true = bump((120, 110), 75, (0.2 * reach, 0.98 * reach))
        found = SCENE.found(stage.process(SCENE.image(true, rng)))
        seen = np.isfinite(found[:, 0])
        assert end_point_error(found, true)[seen].max() < 0.3
        assert seen.mean() > 0.97
    assert seen.all()


@pytest.mark.parametrize('peak', [(0, 19), (-17, 5), (14, 14)])
def test_a_snap_of_more_than_half_a_pitch_is_recovered_both_ways(peak):
    rng = np.random.default_rng(8)
    stage = SCENE.stage()
    stage.process(SCENE.image(rng=rng))
    for true in (bump((110, 170), 50, peak), 0 * SCENE.rest, bump((110, 170), 50, peak),
                 -bump((110, 170), 50, peak) / 2):
        found = SCENE.found(stage.process(SCENE.image(true, rng)))
        assert end_point_error(found, true).max() < 0.15           # NaN fails


def test_a_steep_jump_is_followed_inwards_from_the_markers_at_rest():
    """1.3 pitches in the middle, nothing 4 pitches away."""
    rng = np.random.default_rng(14)
    for width, peak in ((30, 22), (40, 32)):
        true = bump((118, 160), width, (0.1 * peak, peak))
        stage = SCENE.stage()
        stage.process(SCENE.image(rng=rng))
        found = SCENE.found(stage.process(SCENE.image(true, rng)))
        assert end_point_error(found, true).max() < 0.5


def test_all_markers_jump_at_once():
    rng = np.random.default_rng(15)
    stage = SCENE.stage()
    for jump in ([1, 10], [0, 0], [-9, -6]):
        found = SCENE.found(stage.process(SCENE.image(jump, rng)))
        seen = np.isfinite(found[:, 0])
        assert seen.mean() > 0.8              # a rim leaves the image
        assert np.abs(found[seen] - jump).max() < 0.15


@pytest.mark.parametrize(('width', 'peak'), [(60, 25), (80, 25), (110, 50)])
def test_skin_released_at_once_from_far_is_at_rest(width, peak):
    """The lattice one or two pitches on looks the same, but for its rim."""
    rng = np.random.default_rng(16)
    stage = SCENE.stage()
    true = bump((118, 160), width, (0.1 * peak, peak))
    for part in np.arange(1, 9) / 8:
        found = SCENE.found(stage.process(SCENE.image(part * true, rng)))
    assert np.nanmax(end_point_error(found, true)) < 0.3
    assert np.abs(SCENE.found(stage.process(SCENE.image(rng=rng)))).max() < 0.1


def test_joins_when_the_skin_is_already_deformed():
    rng = np.random.default_rng(9)
    true = bump((120, 150), 50, (6, -18))
    found = SCENE.found(SCENE.stage().process(SCENE.image(true, rng, bulge=0.5)))
    assert end_point_error(found, true).max() < 0.15


def test_darkness_loses_all_and_light_brings_all_back():
    rng = np.random.default_rng(10)
    stage = SCENE.stage()
    true = bump((120, 150), 60, (5, 12))
    stage.process(SCENE.image(true, rng))
    for _ in range(3):
        dark = rng.normal(2, 1, (*SCENE.shape, 3)).clip(0, 255).astype(np.uint8)
        assert not stage.process(dark).valid.any()
    for peak in (true, 0 * true):
        found = SCENE.found(stage.process(SCENE.image(peak, rng)))
        assert end_point_error(found, peak).max() < 0.15


def test_a_covered_marker_is_lost_and_comes_back_with_its_number():
    rng = np.random.default_rng(11)
    stage = SCENE.stage()
    ids = stage.process(SCENE.image(rng=rng)).ids
    hidden = 57
    others = np.delete(np.arange(len(SCENE.rest)), hidden)
    for step in range(12):
        moved = np.array([0.7, 1.5]) * step
        covered = 3 <= step < 9
        dots = others if covered else slice(None)
        field = stage.process(SCENE.image(moved, rng, dots=dots))
        found = SCENE.found(field)
        np.testing.assert_array_equal(field.ids, ids)
        assert np.isnan(found[hidden]).all() == covered
        assert np.abs(found[hidden] - moved).max() < 0.05 or covered
        assert np.nanmax(np.abs(found[others] - moved)) < 0.1
        assert np.isfinite(found[others, 0]).mean() > 0.85          # some leave the image


def test_what_does_not_look_like_the_marker_is_not_taken_for_it():
    """The edge of something dark comes over a dot."""
    rng = np.random.default_rng(17)
    stage = SCENE.stage()
    for reach in range(-8, 9, 2):
        exact = SCENE.exact()
        row, column = np.rint(SCENE.rest[57]).astype(int)
        exact[row - 14:row + 15, column - 14:column + reach] = 30.0
        found = SCENE.found(stage.process(frame(exact, rng)))[57]
        assert np.isnan(found).all() or np.abs(found).max() < 0.8
        if reach > -2:
            assert np.isnan(found).all()
    assert np.abs(SCENE.found(stage.process(SCENE.image(rng=rng)))).max() < 0.05


def test_an_outlier_is_rejected_and_its_neighbours_are_kept():
    """A flake of print wanders off by itself (normalised median test, Westerweel & Scarano)."""
    rng = np.random.default_rng(12)
    stage = SCENE.stage()
    flake = 57
    for step in (*range(10), *range(8, -1, -1)):
        true = np.tile([0.4, 0.8], (len(SCENE.rest), 1)) * step
        true[flake] += [-step, 0.5 * step]
        found = SCENE.found(stage.process(SCENE.image(true, rng)))
        others = np.delete(found - true, flake, axis=0)
        assert np.abs(others).max() < 0.1
        if step >= 7:
            assert np.isnan(found[flake]).all()
    assert np.abs(found[flake]).max() < 0.05


def test_no_markers_no_field_and_no_need_of_a_reference():
    stage = FlowStage(SCENE.geometry, PLAIN)
    for _ in range(2):
        field = stage.process(SCENE.image())
        assert field.ids.shape == (0,)
        assert field.rest.shape == field.displacement.shape == (0, 2)
        assert field.displacement.dtype == np.float32
        stage.set_reference(SimpleNamespace(mean=SCENE.light(0.5).astype(np.float32)))


@pytest.mark.parametrize(('pitch', 'diameter'), [(25.0, 8.3), (14.0, 5.6), (40.0, 9.0)])
def test_markers_on_a_skin_that_ought_to_have_none_are_said(pitch, diameter):
    scene = Scene(pitch=pitch, diameter=diameter)
    with pytest.raises(DataError, match='show markers.*dots.*elastomer file'):
        FlowStage(scene.geometry, PLAIN).set_reference(
            SimpleNamespace(mean=scene.exact().astype(np.float32)))


def test_wrong_input_is_refused_with_what_to_do():
    stage = FlowStage(SCENE.geometry, SCENE.elastomer)
    with pytest.raises(DataError, match='no reference yet.*Capture'):
        stage.process(SCENE.image())
    with pytest.raises(DataError, match='wrong reference image'):
        stage.set_reference(SimpleNamespace(mean=np.zeros((120, 160, 3), np.float32)))
    with pytest.raises(DataError, match=r'wrong image.*\(240, 320, 3\) uint8'):
        SCENE.stage().process(SCENE.image()[..., 0])
    with pytest.raises(DataError, match='wrong image'):
        SCENE.stage().process(SCENE.image().astype(np.float32))


def test_missing_markers_are_said_and_the_old_reference_stays():
    stage = SCENE.stage()
    blank = SCENE.light(0.5) + np.random.default_rng(13).normal(0, 0.3, (*SCENE.shape, 3))
    with pytest.raises(DataError, match='markers are missing.*elastomer'):
        stage.set_reference(SimpleNamespace(mean=blank.astype(np.float32)))
    assert stage.process(SCENE.image()).valid.all()
    few = SCENE.exact(dots=slice(0, 3)).astype(np.float32)
    with pytest.raises(DataError, match='found .3 dots'):
        stage.set_reference(SimpleNamespace(mean=few))


def test_another_pitch_is_said_and_a_rough_scale_is_enough():
    mean = SimpleNamespace(mean=SCENE.exact().astype(np.float32))
    wrong = FlowStage(ImageGeometry(240, 320, 0.03e-3), SCENE.elastomer)
    with pytest.raises(DataError, match='10. dots, the nearest 2[45].*marker_pitch_mm'):
        wrong.set_reference(mean)
    for scale in (0.048e-3, 0.075e-3):
        rough = FlowStage(ImageGeometry(240, 320, scale), SCENE.elastomer)
        rough.set_reference(mean)
        field = rough.process(SCENE.image(0.5))
        assert len(field.ids) == len(SCENE.rest)
        np.testing.assert_allclose(field.displacement, 0.5 * scale, atol=0.02 * scale)


def particle_images():
    folder = files('openpiv') / 'data' / 'test1'
    return (cv2.imread(str(folder / f'exp1_001_{x}.bmp'), cv2.IMREAD_GRAYSCALE) for x in 'ab')


def test_real_particle_images_agree_with_cross_correlation():
    """The pair that OpenPIV ships; the reference is OpenPIV's own correlation of 32 px windows."""
    from openpiv.pyprocess import extended_search_area_piv, get_coordinates
    first, second = particle_images()
    u, v, _ = extended_search_area_piv(first.astype(np.int32), second.astype(np.int32),
                                       window_size=32, overlap=16, search_area_size=32,
                                       sig2noise_method='peak2peak')
    x, y = get_coordinates(first.shape, 32, 16)
    points = np.column_stack([y.ravel(), x.ravel()])
    reference = np.column_stack([v.ravel(), u.ravel()])
    difference = end_point_error(track_points(first, second, points) - points, reference)
    found = np.isfinite(difference)
    assert np.median(np.hypot(*reference.T)) > 5             # px; it is not a test of no motion
    assert found.mean() > 0.98
    assert np.median(difference[found]) < 0.3
    assert (difference[found] < 1).mean() > 0.98


def test_real_texture_moved_by_whole_pixels_is_exact():
    first, _ = particle_images()
    rows, columns = np.mgrid[40:300:20, 40:440:20]
    points = np.column_stack([rows.ravel(), columns.ravel()])
    for down, right in ((0, 0), (3, -7), (-9, 4)):
        moved = first[20 - down:340 - down, 20 - right:480 - right]
        found = track_points(first[20:340, 20:480], moved, points) - points
        assert np.isfinite(found).all(axis=1).mean() > 0.97
        error = end_point_error(found, (down, right))
        assert np.nanmedian(error) < 0.02
        assert np.nanmean(angular_error(found, np.tile((down, right), (len(found), 1)))) < 0.5


def test_points_without_texture_are_lost():
    first, _ = particle_images()
    first[100:200, 100:200] = 90
    found = track_points(first, first, [[150, 150], [60, 60]])
    assert np.isnan(found[0]).all()
    np.testing.assert_allclose(found[1], [60, 60], atol=1e-3)


def test_points_that_something_else_covers_are_lost():
    rng = np.random.default_rng(18)
    first, _ = particle_images()
    second = first.copy()
    second[:, :250] = rng.integers(0, 256, (len(first), 250), np.uint8)
    rows, columns = np.mgrid[40:320:20, 40:460:20]
    points = np.column_stack([rows.ravel(), columns.ravel()])
    found = np.isfinite(track_points(first, second, points)[:, 0])
    assert found[points[:, 1] < 220].mean() < 0.1
    assert found[points[:, 1] > 320].mean() > 0.95


def test_track_points_takes_colour_and_nothing_and_refuses_other_shapes():
    image = SCENE.image()
    np.testing.assert_allclose(track_points(image, image, SCENE.rest), SCENE.rest, atol=1e-3)
    assert track_points(image, image, np.zeros((0, 2))).shape == (0, 2)
    for bad in (image[:-1], image.astype(np.float32), image[..., :2]):
        with pytest.raises(DataError, match='wrong images'):
            track_points(image, bad, SCENE.rest)
    with pytest.raises(DataError, match='wrong points'):
        track_points(image, image, [1.0, 2.0])


def test_virtual_fingertip_agrees_with_its_truth():
    """Sphere pressed and sheared; the truth is the skin displacement that was rendered."""
    elastomer = SCENE.elastomer
    optics = optics_of('VF-1001')
    geometry = optics.geometry(320, 240)
    skin = LayerContact(elastomer, (54, 70), 0.3e-3)
    camera = SkinCamera(elastomer, optics, geometry, *skin.axes)

    def picture(displacement):
        return camera.picture(camera.as_seen(displacement), Light(0.6, 0.6, 0.6), 8e-3, 1.0)

    rest = np.mean([picture(skin.state.displacement) for _ in range(20)], axis=0)
    stage = FlowStage(geometry, elastomer)
    stage.set_reference(SimpleNamespace(mean=rest.astype(np.float32)))
    field = stage.process(picture(skin.state.displacement))
    away = np.hypot(*np.moveaxis(field.rest[:, None] - camera.markers, -1, 0))
    assert away.min(axis=1).max() < 0.03 * geometry.metres_per_px
    printed = camera.markers[away.argmin(axis=1)]
    for k in range(5):
        skin.step(skin.gap(Sphere(8e-3), Pose(k * 0.1e-3, 0, -0.4e-3)),
                  motion=((k > 0) * 0.1e-3, 0, 0), friction=0.8)
        field = stage.process(picture(skin.state.displacement))
        truth = RegularGridInterpolator(skin.axes[::-1], np.moveaxis(
            skin.state.displacement[:2], 0, -1), method='cubic')(printed[:, ::-1])
        error = end_point_error(field.displacement, truth) / geometry.metres_per_px
        assert field.valid.all()
        assert np.median(error) < 0.03
        assert error.max() < 0.6          # where the edge of contact cuts through a dot
    assert np.hypot(*truth.T).max() > 5 * geometry.metres_per_px
