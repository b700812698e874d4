# SPDX-License-Identifier: Apache-2.0
"""JPEG pictures that have lost a piece on their way are refused, and no others are."""

import cv2
import numpy as np
import pytest

from tactile_nodes.device.images import decode_image
from tests.device.emulated.pictures import press_pictures

PAYLOAD = 512                   # bytes of a high-speed bulk transaction (USB 2.0, 5.8.3)
RESTARTS = (0, 1, 4, 10)        # blocks between two restart markers; 10: a row of them


@pytest.fixture(scope='module')
def pictures():
    return press_pictures(12)


def jpeg(picture, quality=90, restart=0, more=()):
    options = (cv2.IMWRITE_JPEG_QUALITY, quality, cv2.IMWRITE_JPEG_RST_INTERVAL, restart, *more)
    return cv2.imencode('.jpg', picture, options)[1].tobytes()


def pieces_lost(data, size):
    """The JPEG without `size` bytes, from the beginning of its scan to its end."""
    scan = data.index(b'\xff\xda') + 14
    for start in range(scan, len(data) - 2 - size, 97):
        yield data[:start] + data[start + size:]


@pytest.mark.parametrize('restart', RESTARTS)
@pytest.mark.parametrize('quality', [75, 90])
def test_a_lost_payload_is_seen(pictures, quality, restart):
    seen = [decode_image(data) is None for picture in pictures
            for data in pieces_lost(jpeg(picture, quality, restart), PAYLOAD)]
    print(f'quality {quality}, restart every {restart}: {sum(seen)} of {len(seen)} refused')
    assert sum(seen) >= 0.97 * len(seen)


@pytest.mark.parametrize('restart', RESTARTS)
def test_whole_pictures_are_let_through(pictures, restart):
    rng = np.random.default_rng(1)
    for picture in pictures:
        grey = np.full_like(picture, picture.mean())
        noisy = np.clip(rng.normal(128, 1, picture.shape), 0, 255).astype(np.uint8)
        middle = np.clip(picture.astype(int) // 4 + 128 - picture[-8:, -8:].mean() / 4, 0, 255)
        for whole in (picture, picture // 2, picture // 10, grey, noisy, middle.astype(np.uint8),
                      np.full_like(picture, 128), picture[:-3, :-6], picture[..., 1]):
            for quality in (30, 60, 95):
                data = jpeg(whole, quality, restart)
                plain = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
                assert np.array_equal(decode_image(data), plain)


def test_middle_grey_that_is_not_all_there_is_refused(pictures):
    grey = np.full_like(pictures[0], 128)
    grey[:60] = pictures[0][:60]
    assert decode_image(jpeg(grey)) is not None
    assert all(decode_image(data) is None for data in pieces_lost(jpeg(grey), 3 * PAYLOAD))


def test_tiny_pictures_and_other_holders_of_bytes(pictures):
    for height, width in ((1, 1), (1, 2), (2, 1), (3, 17)):
        for value in (0, 128):
            data = jpeg(np.full((height, width, 3), value, np.uint8))
            for holder in (data, bytearray(data), np.frombuffer(data, np.uint8)):
                assert decode_image(holder).shape == (height, width, 3)
    lost = next(pieces_lost(jpeg(pictures[0]), PAYLOAD))
    assert decode_image(np.frombuffer(lost, np.uint8)) is None


@pytest.mark.parametrize('option', [cv2.IMWRITE_JPEG_PROGRESSIVE, cv2.IMWRITE_JPEG_OPTIMIZE])
def test_other_kinds_of_jpeg_are_let_through(pictures, option):
    assert decode_image(jpeg(np.full_like(pictures[0], 128), more=(option, 1))) is not None
