# SPDX-License-Identifier: Apache-2.0
import cv2
import numpy as np
import pytest

from tactile_nodes.core.reference import Reference, ReferenceBuilder
from tactile_nodes.errors import DataError

SHAPE = (48, 64)


def build(frames):
    builder = ReferenceBuilder(SHAPE)
    for frame in frames:
        builder.add(frame)
    return builder.finish()


def pictures(rng, count, mean, sd):
    noisy = mean + rng.normal(0, sd, (count, *SHAPE, 3))
    return np.clip(np.round(noisy), 0, 255).astype(np.uint8)


def test_mean_and_noise_are_those_of_the_pixels():
    rng = np.random.default_rng(1)
    mean = rng.uniform(30, 200, (*SHAPE, 3))
    sd = np.broadcast_to(np.linspace(0.8, 4, SHAPE[1])[:, None], (*SHAPE, 3))
    reference = build(pictures(rng, 40, mean, sd))
    assert reference.frames == 40
    # standard error of a mean of 40, and rounding to 1/256
    z = (reference.mean - mean) / (sd / np.sqrt(40))
    assert np.abs(z.std() - 1) < 0.05 and np.abs(z.mean()) < 0.05
    # rounding adds 1/12 to the variance (B. Widrow, IRE Trans. Circuit Theory 3 (1956) 266), the
    # mean of 40 a fortieth
    variance = np.square(reference.noise).mean(axis=(0, 2)) / (1 + 1 / 40)
    np.testing.assert_allclose(variance, sd[0, :, 0] ** 2 + 1 / 12, rtol=0.15)


def test_steady_pictures_give_their_own_values_and_the_noise_of_rounding():
    """Rounded the same way all over a patch of 12 x 12: variance of the first harmonic, 144-fold.

    A sawtooth of unit height has the harmonics 1 / (pi k), so variance 1 / 2 pi^2 in the first.
    """
    picture = np.random.default_rng(2).integers(0, 256, (*SHAPE, 3)).astype(np.uint8)
    reference = build([picture] * 5)
    np.testing.assert_array_equal(reference.mean, picture)
    wanted = np.sqrt((1 / 12 + 144 / (2 * np.pi**2)) * (1 + 1 / 5))
    np.testing.assert_allclose(reference.noise, wanted, atol=0.01)


def compressed(pictures, quality):
    return [cv2.imdecode(cv2.imencode('.jpg', picture, (cv2.IMWRITE_JPEG_QUALITY, quality))[1], 1)
            for picture in pictures]


@pytest.mark.parametrize('quality', [80, 92, None])
def test_noise_holds_for_means_over_patches_of_a_compressed_picture(quality):
    """The mean over a patch varies as the noise of its pixels says, compressed or not."""
    rng = np.random.default_rng(6)
    shape = (240, 320)
    slope = 90 + np.linspace(-30, 40, shape[1])[:, None] * (1, -1, 0.5)
    frames = np.round(slope + rng.normal(0, 1.5, (40, *shape, 3))).astype(np.uint8)
    if quality:
        frames = compressed(frames, quality)
    builder = ReferenceBuilder(shape)
    for frame in frames:
        builder.add(frame)
    noise = builder.finish().noise
    means = np.array([[cv2.resize(f.astype(np.float32), (20, 15), interpolation=cv2.INTER_AREA)]
                      for f in frames])
    real = means.std(axis=0, ddof=1)[0]
    stated = np.sqrt(cv2.resize(noise**2, (20, 15), interpolation=cv2.INTER_AREA) / 256)
    ratio = np.sqrt(np.square(real).mean() / np.square(stated).mean())
    assert 0.95 < ratio < 1.05 if quality is None else 0.6 < ratio < 1.3


def test_slow_drift_of_the_light_does_not_count_as_noise():
    rng = np.random.default_rng(3)
    frames = pictures(rng, 30, 100.0, 1.5)
    drifting = np.clip(frames + np.round(np.linspace(-1, 1, 30))[:, None, None, None], 0, 255)
    noise = build(drifting.astype(np.uint8)).noise
    assert np.sqrt(np.square(noise).mean()) == pytest.approx(np.sqrt(1.5 ** 2 + 1 / 12), rel=0.03)


@pytest.mark.parametrize('what', ['touched half way', 'rolls through', 'light switched'])
def test_a_scene_that_moves_is_refused(what):
    rng = np.random.default_rng(4)
    frames = pictures(rng, 30, 100.0, 1.0).astype(np.int32)
    if what == 'touched half way':
        frames[15:, 10:26, 30:46] += 8
    elif what == 'rolls through':
        for i, frame in enumerate(frames):
            frame[20:36, i:i + 16] += 20
    else:
        frames[20:] += 5
    with pytest.raises(DataError, match='moved or the light changed.*row'):
        build(np.clip(frames, 0, 255).astype(np.uint8))


@pytest.mark.parametrize('count', [5, 30])
def test_a_scene_at_rest_is_never_refused(count):
    rng = np.random.default_rng(5)
    for _ in range(100 if count == 5 else 20):
        build(pictures(rng, count, 100.0, rng.uniform(0, 3)))


def test_too_few_frames_and_wrong_images_are_refused():
    picture = np.zeros((*SHAPE, 3), np.uint8)
    with pytest.raises(DataError, match='too few frames, found 4'):
        build([picture] * 4)
    for wrong in (picture[1:], picture.astype(np.float32), picture[..., 0]):
        with pytest.raises(DataError, match='wrong image'):
            ReferenceBuilder(SHAPE).add(wrong)
    good = np.ones((*SHAPE, 3), np.uint16)
    for mean, noise in ((good[1:], good), (good.astype(float), good), (good, 0 * good)):
        with pytest.raises(DataError):
            Reference(mean, noise, 30)
