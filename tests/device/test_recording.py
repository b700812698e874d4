# SPDX-License-Identifier: Apache-2.0
import subprocess
import sys

import cv2
import numpy as np
import pytest

from tactile_nodes.device.recording import RecordingDevice
from tactile_nodes.errors import DeviceError, EndOfRecording, FrameTimeout

from .recordings import (
    FIRST_STAMP,
    RATE,
    image_bag,
    image_message,
    image_of,
    types,
    write_bag,
    write_folder,
)

rosbags = pytest.importorskip('rosbags')
IMAGE = 'sensor_msgs/msg/Image'


def play(path, **options):
    """All frames and the counters of a recording."""
    frames = []
    with RecordingDevice(path, realtime=False, **options) as device:
        device.start()
        while True:
            try:
                frames.append(device.read(0.0))
            except EndOfRecording:
                return frames, device.dropped


@pytest.mark.parametrize('plugin', ['MCAP', 'SQLITE3'])
def test_a_bag_gives_back_images_and_stamps(tmp_path, plugin):
    frames, dropped = play(image_bag(tmp_path / 'bag', plugin=plugin))
    assert len(frames) == 12 and not dropped
    for number, frame in enumerate(frames):
        assert (frame.image == image_of(number)).all() and frame.jpeg is None
        assert frame.stamp_ns == FIRST_STAMP + round(number / RATE * 1e9)
        assert frame.sequence == number and frame.truth is None


BAYER = {'bayer_rggb8': [2, 1, 1, 0], 'bayer_bggr8': [0, 1, 1, 2], 'bayer_gbrg8': [1, 0, 2, 1],
         'bayer_grbg8': [1, 2, 0, 1]}      # channel of blue, green, red, as the names say
YUV = {'uyvy': 'uyvy', 'yuv422': 'uyvy', 'yuyv': 'yuyv', 'yuv422_yuy2': 'yuyv'}


@pytest.mark.parametrize('encoding', [*BAYER, *YUV, 'bgra8', 'rgba8', '8UC3', '8UC1'])
def test_encodings_of_other_cameras(tmp_path, encoding):
    colour, shape = (40, 90, 160), (48, 64)
    image = np.full((*shape, 3), colour, np.uint8)
    if encoding in BAYER:
        pixels = np.empty(shape, np.uint8)
        for i, channel in enumerate(BAYER[encoding]):
            pixels[i // 2::2, i % 2::2] = colour[channel]
    elif encoding in YUV:       # ITU-R BT.601, studio range, as video cameras send it
        y, u, v = np.array([16, 128, 128]) + np.array([
            [0.257, 0.504, 0.098], [-0.148, -0.291, 0.439], [0.439, -0.368, -0.071]]) \
            @ colour[::-1]
        order = [u, y, v, y] if YUV[encoding] == 'uyvy' else [y, u, y, v]
        pixels = np.tile(np.rint(order).astype(np.uint8), (48, 32))
    elif encoding == '8UC1':
        pixels, image = image[..., 1], np.full((*shape, 3), 90, np.uint8)
    else:
        pixels = {'bgra8': lambda: cv2.cvtColor(image, cv2.COLOR_BGR2BGRA),
                  'rgba8': lambda: cv2.cvtColor(image, cv2.COLOR_BGR2RGBA),
                  '8UC3': lambda: image}[encoding]()
    message = image_message(types(), 0)
    message.encoding, message.data = encoding, np.ascontiguousarray(pixels).reshape(-1)
    message.step = message.data.size // 48
    frames, _ = play(write_bag(tmp_path / 'bag', {'/image': (IMAGE, [message])}))
    assert np.abs(frames[0].image.astype(int) - image)[2:-2, 2:-2].max() <= 2


@pytest.mark.parametrize('encoding', ['bgr8', 'rgb8', 'mono8'])
def test_encodings(tmp_path, encoding):
    frames, _ = play(image_bag(tmp_path / 'bag', 3, encoding=encoding))
    expected = image_of(2)
    if encoding == 'mono8':
        expected = np.repeat(expected[..., 1:2], 3, axis=2)
    assert (frames[2].image == expected).all()


def test_padded_rows(tmp_path):
    message = image_message(types(), 1)
    padded = np.zeros((48, 200), np.uint8)
    padded[:, :192] = image_of(1).reshape(48, 192)
    message.step, message.data = 200, padded.reshape(-1)
    frames, _ = play(write_bag(tmp_path / 'bag', {'/image': (IMAGE, [message])}))
    assert (frames[0].image == image_of(1)).all()


def test_an_unknown_encoding_is_named(tmp_path):
    message = image_message(types(), 0)
    message.encoding = '16UC1'
    path = write_bag(tmp_path / 'bag', {'/image': (IMAGE, [message])})
    with pytest.raises(DeviceError, match=r"/image.*16UC1.*bgr8, .*rgb8, .*mono8"):
        RecordingDevice(path).open()


def test_compressed_images_keep_their_bytes(tmp_path):
    frames, _ = play(image_bag(tmp_path / 'bag', topic_type='CompressedImage'))
    assert len(frames) == 12
    for number, frame in enumerate(frames):
        assert np.abs(frame.image.astype(int) - image_of(number))[:, 4:28].max() < 6
        assert frame.jpeg == cv2.imencode('.jpg', image_of(number))[1].tobytes()


def test_a_folder_of_images_in_the_order_of_their_names(tmp_path):
    folder = write_folder(tmp_path / 'images')
    (folder / 'notes.txt').write_text('not an image')
    frames, dropped = play(folder, frame_rate=20.0)
    assert [f.image[0, 0, 0] for f in frames] == [10 + n for n in range(12)] and not dropped
    assert np.diff([f.stamp_ns for f in frames]) == pytest.approx(5e7)


def test_missing_topic_lists_what_is_there(tmp_path):
    path = write_bag(tmp_path / 'bag', {
        '/a/image_raw': (IMAGE, [image_message(types(), 0)]),
        '/b/image_raw': (IMAGE, [image_message(types(), 0)]),
        '/a/level': ('std_msgs/msg/Float32', [types()['std_msgs/msg/Float32'](1.0)])})
    with pytest.raises(DeviceError, match=r"no such image topic.*/c.*/a/image_raw, /b/image_raw"):
        RecordingDevice(path, topic='/c').open()
    with pytest.raises(DeviceError, match=r'several image topics.*/a/image_raw, /b/image_raw'):
        RecordingDevice(path).open()
    with pytest.raises(DeviceError, match=r"no such image topic.*/a/level.*/a/image_raw"):
        RecordingDevice(path, topic='/a/level').open()
    assert len(play(path, topic='/b/image_raw')[0]) == 1


def test_a_bag_without_images_says_so(tmp_path):
    path = write_bag(tmp_path / 'bag', {
        '/level': ('std_msgs/msg/Float32', [types()['std_msgs/msg/Float32'](1.0)])})
    with pytest.raises(DeviceError, match=r'no such image topic.*it has /level'):
        RecordingDevice(path).open()


def test_corrupt_images_in_a_bag_are_dropped_and_counted(tmp_path):
    messages = [image_message(types(), n) for n in range(6)]
    messages[1].data = messages[1].data[:-100]               # fewer pixels than it says
    messages[2] = b'\x00\x01\x00\x00' + b'\x07' * 9          # no message at all
    messages[4].width, messages[4].step, messages[4].data = 32, 96, messages[4].data[:48 * 96]
    frames, dropped = play(write_bag(tmp_path / 'bag', {'/image': (IMAGE, messages)}))
    assert [f.sequence for f in frames] == [0, 3, 5]
    assert dropped == {'corrupt image': 2, 'other image size': 1}


def test_numbers_in_names_need_not_be_padded(tmp_path):
    folder = tmp_path / 'images'
    folder.mkdir()
    for number in range(12):
        cv2.imwrite(str(folder / f'{number}.png'), image_of(number))
    frames, _ = play(folder, frame_rate=20.0)
    for number, frame in enumerate(frames):
        np.testing.assert_array_equal(frame.image, image_of(number))
    assert [frame.stamp_ns for frame in frames] == [50_000_000 * n for n in range(12)]


def test_truncated_and_damaged_files_in_a_folder_are_dropped_and_counted(tmp_path):
    folder = write_folder(tmp_path / 'images', 4)
    for number, suffix in ((4, '.jpg'), (5, '.png')):
        whole = cv2.imencode(suffix, image_of(number))[1].tobytes()
        (folder / f'{number:04d}{suffix}').write_bytes(whole[:-20])
    (folder / '0006.png').write_bytes(b'')
    (folder / '0007.jpg').write_bytes(b'\xff\xd8 no picture \xff\xd9')
    cv2.imwrite(str(folder / '0008.png'), image_of(8))
    frames, dropped = play(folder)
    assert [f.sequence for f in frames] == [0, 1, 2, 3, 8]
    assert dropped == {'corrupt image': 4}


@pytest.mark.parametrize('plugin', ['MCAP', 'SQLITE3'])
def test_a_single_file(tmp_path, plugin):
    bag = image_bag(tmp_path / 'bag', plugin=plugin)
    (bag / 'metadata.yaml').unlink()
    file = next(file for file in bag.iterdir() if file.suffix in ('.mcap', '.db3'))
    assert len(play(file)[0]) == len(play(bag)[0]) == 12


def test_files_of_a_split_bag_come_in_the_order_of_their_numbers(tmp_path):
    for number in (2, 10):
        file, = image_bag(tmp_path / f'part{number}', number).glob('*.mcap')
        file.rename(tmp_path / f'bag_{number}.mcap')
    frames, _ = play(tmp_path)
    assert [f.image[0, 0, 0] - 10 for f in frames] == [0, 1, *range(10)]


@pytest.mark.parametrize('topic', [None, '/hand/thumb/image_raw'])
def test_an_mcap_file_without_its_end_gives_what_is_there(tmp_path, caplog, topic):
    from mcap.writer import Writer
    from rosbags.typesys import Stores, get_typestore
    store = get_typestore(Stores.LATEST)
    path = tmp_path / 'cut.mcap'
    with path.open('wb') as file:
        writer = Writer(file, chunk_size=20_000)
        writer.start('ros2')
        schema = writer.register_schema(IMAGE, 'ros2msg', b'')
        channel = writer.register_channel('/hand/thumb/image_raw', 'cdr', schema)
        for n in range(20):
            data = bytes(store.serialize_cdr(image_message(types(), n), IMAGE))
            writer.add_message(channel, n, data, n)
        writer.finish()
    path.write_bytes(path.read_bytes()[:int(path.stat().st_size * 0.6)])
    frames, dropped = play(path, topic=topic)
    assert 5 <= len(frames) < 20 and not dropped
    assert [f.sequence for f in frames] == list(range(len(frames)))
    assert all((f.image == image_of(f.sequence)).all() for f in frames)
    assert 'ends early' in caplog.text


def test_not_a_recording(tmp_path):
    with pytest.raises(DeviceError, match=r'nowhere.*no such recording'):
        RecordingDevice(tmp_path / 'nowhere').open()
    with pytest.raises(DeviceError, match='not a recording'):
        RecordingDevice(tmp_path).open()
    (tmp_path / 'garbage.mcap').write_bytes(b'garbage' * 100)
    with pytest.raises(DeviceError, match=r'garbage\.mcap.*not an MCAP file.*garbag'):
        RecordingDevice(tmp_path / 'garbage.mcap').open()
    (tmp_path / 'metadata.yaml').write_text('nonsense: true')
    (tmp_path / 'garbage.mcap').unlink()
    with pytest.raises(DeviceError, match='cannot be read'):
        RecordingDevice(tmp_path).open()
    empty = tmp_path / 'broken'
    empty.mkdir()
    (empty / 'a.png').write_bytes(b'nothing')
    with pytest.raises(DeviceError, match='no image that can be decoded'):
        RecordingDevice(empty).open()


def test_end_and_repeat(tmp_path):
    bag = image_bag(tmp_path / 'bag', 4)
    with RecordingDevice(bag, realtime=False) as device:
        device.start()
        for _ in range(4):
            device.read(0.0)
        for _ in range(2):
            with pytest.raises(EndOfRecording, match='no more images'):
                device.read(0.0)
        device.start()
        assert device.read(0.0).sequence == 0
    with RecordingDevice(bag, realtime=False, repeat=True) as device:
        device.start()
        frames = [device.read(0.0) for _ in range(10)]
    assert [f.image[0, 0, 0] - 10 for f in frames] == [0, 1, 2, 3, 0, 1, 2, 3, 0, 1]
    assert np.diff([f.stamp_ns for f in frames]) == pytest.approx(1e9 / RATE)


def test_stamps_zero_in_the_header_fall_back_to_the_time_of_recording(tmp_path):
    messages = [image_message(types(), n, stamp=0) for n in range(3)]
    frames, _ = play(write_bag(tmp_path / 'bag', {'/image': (IMAGE, messages)}))
    assert [f.stamp_ns for f in frames] == [FIRST_STAMP + n * 20_000_000 for n in range(3)]


def test_a_gap_in_the_recording_is_waited_for(tmp_path):
    messages = [image_message(types(), 0), image_message(types(), 1),
                image_message(types(), 2, stamp=FIRST_STAMP + 600 * 10**9)]
    path = write_bag(tmp_path / 'bag', {'/image': (IMAGE, messages)})
    with RecordingDevice(path) as device:
        device.start()
        device.read(5.0)
        device.read(5.0)
        with pytest.raises(FrameTimeout):
            device.read(0.05)


def test_a_missing_library_is_named(tmp_path):
    bag = image_bag(tmp_path / 'bag')
    code = ('import sys; sys.modules["rosbags"] = None; '
            'from tactile_nodes.device.recording import RecordingDevice; '
            'from tactile_nodes.errors import DeviceError\n'
            f'try: RecordingDevice({str(bag)!r}).open()\n'
            'except DeviceError as error: print(error)')
    result = subprocess.run([sys.executable, '-c', code], capture_output=True, text=True,
                            check=True)
    assert 'pip install rosbags' in result.stdout
