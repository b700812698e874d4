# SPDX-License-Identifier: Apache-2.0
"""Round trips through messages, and refusal of those that do not fit.

Layouts: sensor_msgs/Image.msg and image_encodings.hpp, PointCloud2.msg; REP 104 (CameraInfo),
REP 118 (depth images); format strings of CompressedImage.msg.
"""

import sys
import types

import cv2
import numpy as np
import pytest
from geometry_msgs.msg import WrenchStamped

from tactile_nodes.core.geometry import ImageGeometry
from tactile_nodes.core.reference import Reference
from tactile_nodes.core.types import Contact, ForceEstimate, Frame, MarkerField
from tactile_nodes.errors import DataError
from tactile_nodes.nodes import messages

STAMP = 1_795_600_955_123_456_789
HEADER = messages.header_of(STAMP, 'index_tip')
GEOMETRY = ImageGeometry(240, 320, 60e-6)


def image_of(encoding, shape=(12, 20)):
    kind, channels = messages.ENCODINGS[encoding]
    shape = (*shape, 3) if channels == 3 else shape
    rng = np.random.default_rng(1)
    if kind is np.float32:
        image = rng.normal(size=shape).astype(np.float32)
        image[3, 4] = np.nan
        return image
    return rng.integers(0, np.iinfo(kind).max, shape, dtype=kind, endpoint=True)


def test_stamp_survives_to_the_nanosecond():
    assert messages.stamp_of(WrenchStamped(header=HEADER)) == STAMP
    assert HEADER.frame_id == 'index_tip'


@pytest.mark.parametrize('encoding', messages.ENCODINGS)
def test_image_round_trip(encoding):
    image = image_of(encoding)
    message = messages.image_message(image, encoding, HEADER)
    assert (message.height, message.width, message.step) == (12, 20, image.strides[0])
    back = messages.image_from_message(message, encoding, (12, 20))
    assert back.dtype == image.dtype
    np.testing.assert_array_equal(back, image)


@pytest.mark.parametrize('encoding', messages.ENCODINGS)
def test_image_that_is_not_contiguous(encoding):
    image = image_of(encoding, (24, 40))[::2, ::2]
    message = messages.image_message(image, encoding, HEADER)
    np.testing.assert_array_equal(messages.image_from_message(message, encoding), image)


@pytest.mark.parametrize('encoding', ['32FC1', 'bgr16'])
def test_big_endian_image(encoding):
    image = image_of(encoding)
    message = messages.image_message(image, encoding, HEADER)
    message.data = messages._bytes(image.byteswap())
    message.is_bigendian = 1
    np.testing.assert_array_equal(messages.image_from_message(message, encoding), image)


@pytest.mark.parametrize('encoding', messages.ENCODINGS)
def test_rows_with_padding(encoding):
    image = image_of(encoding)
    rows = image.view(np.uint8).reshape(12, -1)
    message = messages.image_message(image, encoding, HEADER)
    message.step += 7
    message.data = messages._bytes(np.pad(rows, ((0, 0), (0, 7)), constant_values=9))
    np.testing.assert_array_equal(messages.image_from_message(message, encoding), image)


@pytest.mark.parametrize(('change', 'reason'), [
    ({'width': 0}, 'image size'), ({'height': 0}, 'image size'),
    ({'width': 4_000_000_000}, 'image size'), ({'height': 13}, 'image size'),
    ({'step': 59}, 'amount'), ({'step': 0}, 'amount'),
    ({'encoding': 'yuv422_yuy2'}, 'encoding'), ({'encoding': ''}, 'encoding'),
    ({'data': messages._bytes(b'12')}, 'amount'),
    ({'step': 30, 'data': messages._bytes(bytes(360))}, 'step'),
])
def test_wrong_image_is_refused(change, reason):
    message = messages.image_message(image_of('bgr8'), 'bgr8', HEADER)
    for key, value in change.items():
        setattr(message, key, value)
    with pytest.raises(DataError, match=reason):
        messages.image_from_message(message, 'bgr8', (12, 20))


def test_jpeg_is_made_or_passed_through():
    image = cv2.GaussianBlur(image_of('bgr8', (48, 64)), (0, 0), 5)
    message = messages.compressed_message(Frame(image, STAMP, 0), HEADER)
    assert message.format == 'bgr8; jpeg compressed bgr8'
    back = cv2.imdecode(np.frombuffer(message.data, np.uint8), cv2.IMREAD_COLOR)
    assert np.abs(back.astype(int) - image).max() < 12
    own = b'\xff\xd8 the camera\'s own bytes \xff\xd9'
    message = messages.compressed_message(Frame(image, STAMP, 0, jpeg=own), HEADER)
    assert message.data.tobytes() == own


def test_camera_info_says_not_calibrated():
    message = messages.camera_info_message(320, 240, HEADER)
    assert (message.width, message.height) == (320, 240)
    assert len(message.d) == 0 and not any(message.k) and message.distortion_model == ''


def markers(count=5):
    rng = np.random.default_rng(2)
    rest, motion = rng.normal(scale=1e-3, size=(2, count, 2)).astype(np.float32)
    motion[1:2] = np.nan
    return MarkerField(np.arange(count, dtype=np.int32) * 7, rest, motion)


@pytest.mark.parametrize('count', [0, 1, 5])
def test_marker_round_trip(count):
    field = markers(count)
    message = messages.cloud_message(messages.cloud_points(field), HEADER)
    assert [f.name for f in message.fields] == ['x', 'y', 'z', 'dx', 'dy', 'dz', 'id']
    assert (message.height, message.width, message.point_step) == (1, count, 28)
    assert not message.is_dense            # any marker may be lost
    back = messages.markers_from_cloud(message)
    for key in ('ids', 'rest', 'displacement'):
        np.testing.assert_array_equal(getattr(back, key), getattr(field, key))
        assert getattr(back, key).dtype == getattr(field, key).dtype


@pytest.mark.parametrize('spoil', [
    lambda m: m.fields.pop(),
    lambda m: setattr(m, 'width', 6), lambda m: setattr(m, 'width', 2**31),
    lambda m: setattr(m, 'point_step', 4), lambda m: setattr(m, 'is_bigendian', True),
    lambda m: setattr(m, 'data', messages._bytes(b'')),
    lambda m: setattr(m.fields[0], 'name', 'y'), lambda m: setattr(m.fields[6], 'datatype', 7),
    lambda m: setattr(m, 'data', messages._bytes(b'\xff' * len(m.data))),      # NaN everywhere
])
def test_wrong_cloud_is_refused(spoil):
    message = messages.cloud_message(messages.cloud_points(markers()), HEADER)
    spoil(message)
    with pytest.raises(DataError):
        messages.markers_from_cloud(message)


def test_wrench_round_trip_and_refusal():
    wrench = np.array([0.1, -0.2, -3.0, 0.01, 0.02, -0.03])
    message = messages.wrench_message(wrench, HEADER)
    assert message.wrench.force.z == -3.0 and message.wrench.torque.z == -0.03
    np.testing.assert_array_equal(messages.wrench_from_message(message), wrench)
    sd = messages.wrench_message([1, np.inf, 1, 1, 1, 1], HEADER)
    assert messages.wrench_from_message(sd, finite=False)[1] == np.inf
    with pytest.raises(DataError):
        messages.wrench_from_message(sd)
    with pytest.raises(DataError):
        messages.wrench_from_message(messages.wrench_message([np.nan] * 6, HEADER), finite=False)


def test_point_round_trip_and_refusal():
    message = messages.point_message([1e-3, -2e-3, np.nan], HEADER)
    np.testing.assert_array_equal(messages.point_from_message(message)[:2], [1e-3, -2e-3])
    with pytest.raises(DataError):
        messages.point_from_message(messages.point_message([np.nan, 0, 0], HEADER))


def contact(*, touched=True):
    work = GEOMETRY.work
    mask = np.zeros(work.shape, bool)
    if touched:
        mask[40:60, 70:110] = True
    depth = np.where(mask, 1e-4, 0).astype(np.float32)
    depth[0, :3] = np.nan
    area = mask.sum() * work.pixel_area
    centroid = np.array([1e-3, 2e-3]) if touched else np.full(2, np.nan)
    return Contact(mask, depth, area, centroid, 1e-4 if touched else np.nan, np.ones(3))


def test_contact_round_trip_through_full_size_images():
    found = contact()
    mask, depth = messages.contact_images(found, GEOMETRY)
    assert mask.shape == depth.shape == GEOMETRY.shape
    assert set(np.unique(mask)) == {0, 255}
    np.testing.assert_array_equal(depth, np.repeat(np.repeat(found.depth, 2, 0), 2, 1))
    back = messages.contact_from_images(GEOMETRY, mask, depth, found.centroid)
    np.testing.assert_array_equal(back.mask, found.mask)
    np.testing.assert_array_equal(back.depth, found.depth)
    assert back.area == found.area
    np.testing.assert_array_equal(back.centroid, found.centroid)


def test_centroid_without_depth_is_at_the_surface():
    found = contact()
    np.testing.assert_array_equal(messages.centroid_of(found), [1e-3, 2e-3, 1e-4])
    object.__setattr__(found, 'centroid_depth', np.nan)
    np.testing.assert_array_equal(messages.centroid_of(found), [1e-3, 2e-3, 0])


def test_reference_round_trip():
    rng = np.random.default_rng(3)
    mean, noise = rng.integers(1, 65535, (2, 16, 24, 3), dtype=np.uint16)
    pair = messages.reference_messages(Reference(mean, noise, 30), HEADER)
    back = messages.reference_from_messages(*pair, 30, (16, 24))
    np.testing.assert_array_equal(back.mean_q8, mean)
    np.testing.assert_array_equal(back.noise_q8, noise)
    with pytest.raises(DataError):
        messages.reference_from_messages(*pair, 30, (16, 25))


def test_visualization_shows_force_and_contact_or_takes_them_away():
    estimate = ForceEstimate(np.array([0.5, 0, -2.0, 0, 0, 0]), np.ones(6), 1.0, False)
    arrow, patch = messages.visualization_message(contact(), estimate, HEADER).markers
    assert arrow.lifetime.sec == patch.lifetime.sec == 2
    assert arrow.action == patch.action == arrow.ADD
    start, end = arrow.points
    assert (start.x, start.y, start.z) == (1e-3, 2e-3, 0)
    assert end.z == pytest.approx(-2.0 * messages.METRES_PER_NEWTON)
    assert np.pi / 4 * patch.scale.x ** 2 == pytest.approx(contact().area)
    for marker in messages.visualization_message(contact(touched=False), estimate, HEADER).markers:
        assert marker.action == marker.DELETE
        assert marker.header.frame_id == 'index_tip'


def test_other_encodings_go_through_cv_bridge_where_it_is_installed(monkeypatch):
    """cv_bridge is on no package registry: here its place is taken by a module of that name."""
    class Bridge:
        def imgmsg_to_cv2(self, message, desired_encoding):
            if message.encoding != 'rgb8':
                raise ValueError('unknown')
            pixels = np.frombuffer(message.data, np.uint8).reshape(12, 20, 3)
            return pixels[:, :, ::-1] if desired_encoding == 'bgr8' else pixels

    module = types.SimpleNamespace(CvBridge=Bridge, CvBridgeError=RuntimeError)
    monkeypatch.setitem(sys.modules, 'cv_bridge', module)
    image = image_of('bgr8')
    message = messages.image_message(image[:, :, ::-1], 'bgr8', HEADER)
    message.encoding = 'rgb8'
    np.testing.assert_array_equal(messages.image_from_message(message, 'bgr8'), image)
    message.encoding = 'yuv_of_mars'
    with pytest.raises(DataError, match='cannot be converted'):
        messages.image_from_message(message, 'bgr8')
