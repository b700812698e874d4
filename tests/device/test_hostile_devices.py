# SPDX-License-Identifier: Apache-2.0
"""What comes from USB devices and out of bags, spoilt: left out and counted, or one message."""

import struct
import tempfile
import zlib
from pathlib import Path

import cv2
import numpy as np
import pytest

pytest.importorskip('hypothesis')
pytest.importorskip('rosbags')

from hypothesis import given
from hypothesis import strategies as st

from tactile_nodes.device import images
from tactile_nodes.device.bags import Bag
from tactile_nodes.device.recording import RecordingDevice
from tactile_nodes.device.usb_bandwidth import Transport, streaming_transport
from tactile_nodes.device.usb_discovery import attached_cameras
from tactile_nodes.device.usb_leds import extension_unit_id
from tactile_nodes.errors import EndOfRecording, TactileError
from tactile_nodes.trials.bag import BagWriter
from tactile_nodes.trials.bag_repair import repair_bag
from tests.device.emulated import descriptors
from tests.device.recordings import image_message, image_of, types, write_bag
from tests.hostile import damaged, hostile, is_a_message

DESCRIPTORS = descriptors.device() + descriptors.configuration(bulk=False)
IMAGE, COMPRESSED = 'sensor_msgs/msg/Image', 'sensor_msgs/msg/CompressedImage'
SIDES = st.one_of(st.sampled_from([0, 1, 2, 48, 64, 2**16, 2**31, 2**32 - 1]),
                  st.integers(0, 100))
ENCODINGS = st.one_of(st.sampled_from([*images._ENCODINGS, '32FC1', 'bgr16', 'BGR8', '']),
                      st.text(max_size=10))
JPEG, PNG = (cv2.imencode(suffix, image_of(1))[1].tobytes() for suffix in ('.jpg', '.png'))


@hostile
@given(st.one_of(damaged(DESCRIPTORS), st.binary(max_size=300)))
def test_usb_descriptors(data):
    transport = streaming_transport(data)
    assert transport is None or isinstance(transport, Transport)
    if transport is not None:
        assert all(0 <= size <= 4 * 0x7FF for size in transport.packet_sizes)
    unit = extension_unit_id(data, descriptors.EXTENSION_GUID)
    assert unit is None or 0 <= unit <= 255


@hostile
@given(st.binary(max_size=40), st.binary(max_size=40))
def test_texts_of_usb_devices(serial, product):
    with tempfile.TemporaryDirectory() as sysfs:
        device = Path(sysfs) / 'devices' / 'usb1' / '1-1'
        entry = Path(sysfs) / 'class' / 'video4linux' / 'video0'
        (device / '1-1:1.0').mkdir(parents=True)
        entry.mkdir(parents=True)
        (entry / 'device').symlink_to(device / '1-1:1.0')
        (entry / 'index').write_text('0\n')
        for name, text in (('idVendor', '1d6b'), ('idProduct', '0002'), ('busnum', '1'),
                           ('devnum', '3'), ('speed', '480')):
            (device / name).write_text(f'{text}\n')
        (device / 'serial').write_bytes(serial)
        (device / 'product').write_bytes(product)
        camera, = attached_cameras(sysfs)
    assert '\x1b' not in camera.serial + camera.product


def frames_of(path, topic=None):
    """Shapes of the images of a recording, or what is wrong with it."""
    shapes = []
    try:
        with RecordingDevice(path, topic=topic, realtime=False) as device:
            device.start()
            while True:
                shapes.append(device.read(0.0).image.shape)
    except EndOfRecording:
        return shapes
    except TactileError as error:
        assert is_a_message(error)
        return None


def check_recording(kind, messages):
    """A bag of a good image and then these gives images of its size, or one message."""
    good = image_message(types(), 0, topic_type=kind.rpartition('/')[2])
    with tempfile.TemporaryDirectory() as folder:
        path = write_bag(Path(folder) / 'bag', {'/image': (kind, [good, *messages])})
        shapes = frames_of(path)
    assert shapes is None or (shapes and set(shapes) == {(48, 64, 3)})


def store():
    from rosbags.typesys import Stores, get_typestore
    return get_typestore(Stores.LATEST)


def image(height, width, encoding, order, step, data):        # noqa: PLR0917
    known = types()
    header = known['std_msgs/msg/Header'](known['builtin_interfaces/msg/Time'](1, 2), '')
    return known[IMAGE](header, height, width, encoding, order, step,
                        np.frombuffer(data, np.uint8))


@hostile
@given(st.lists(st.builds(image, SIDES, SIDES, ENCODINGS, st.integers(0, 255), SIDES,
                          st.binary(max_size=64)), max_size=4))
def test_images_in_bags(messages):
    check_recording(IMAGE, messages)


@pytest.mark.parametrize('encoding', images._ENCODINGS)
@pytest.mark.parametrize('size', [(1, 1), (1, 2), (2, 1), (3, 3), (1, 64), (48, 1)])
def test_tiny_images_of_every_encoding(encoding, size):
    step = size[1] * images._ENCODINGS[encoding][0]
    check_recording(IMAGE, [image(*size, encoding, 0, step, bytes(step * size[0]))])


@hostile
@given(st.lists(st.one_of(damaged(JPEG), damaged(PNG), st.binary(max_size=100)), max_size=4))
def test_compressed_images_in_bags(pictures):
    known = types()
    header = known['std_msgs/msg/Header'](known['builtin_interfaces/msg/Time'](1, 2), '')
    check_recording(COMPRESSED, [known[COMPRESSED](header, 'jpeg', np.frombuffer(data, np.uint8))
                                 for data in pictures])


def huge_png(side):
    """PNG that claims to be a large image and holds next to nothing (ISO/IEC 15948)."""
    def chunk(kind, data):
        return struct.pack('>I', len(data)) + kind + data + struct.pack(
            '>I', zlib.crc32(kind + data))
    head = struct.pack('>IIBBBBB', side, side, 8, 2, 0, 0, 0)
    return b'\x89PNG\r\n\x1a\n' + chunk(b'IHDR', head) + chunk(
        b'IDAT', zlib.compress(bytes(1000))) + chunk(b'IEND', b'')


def huge_jpeg():
    """JPEG whose frame header claims 65500 x 65500 pixels (ITU-T T.81, B.2.2)."""
    at = JPEG.index(b'\xff\xc0')
    return JPEG[:at + 5] + struct.pack('>HH', 65500, 65500) + JPEG[at + 9:]


@pytest.mark.parametrize('data', [huge_png(60_000), huge_jpeg(), b'', b'\xff\xd8\xff\xd9'])
def test_an_image_that_claims_to_be_huge_takes_no_memory(data):
    import resource
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    assert images.decode_image(data) is None
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 200_000, 'kB'


@hostile
@given(st.lists(st.binary(max_size=60), max_size=6), st.sampled_from([IMAGE, COMPRESSED]))
def test_messages_that_are_none(data, kind):
    check_recording(kind, [b'\x00\x01\x00\x00' + part for part in data])


@pytest.fixture(scope='module')
def bag(tmp_path_factory):
    path = tmp_path_factory.mktemp('good') / 'bag'
    with BagWriter(path) as writer:
        writer.add_topic('/image', IMAGE)
        for _ in range(3):
            writer.write('/image', bytes(store().serialize_cdr(
                image(2, 2, 'bgr8', 0, 6, bytes(range(12))), IMAGE)), 1, 1)
    return (path / 'bag_0.mcap').read_bytes()


def test_damaged_bags(bag, tmp_path):
    path = tmp_path / 'bag' / 'bag_0.mcap'
    path.parent.mkdir()

    @hostile
    @given(st.one_of(damaged(bag), st.binary(max_size=100),
                     st.integers(0, len(bag)).map(lambda cut: bag[:cut])))
    def check(data):
        path.write_bytes(data)
        shapes = frames_of(path)
        assert shapes is None or set(shapes) <= {(2, 2, 3)}
        try:
            repair_bag(path.parent)
        except TactileError as error:
            assert is_a_message(error)
        else:
            Bag(path.parent)
        for left in path.parent.iterdir():
            left.unlink()

    check()
