# SPDX-License-Identifier: Apache-2.0
"""`tactile process`: bags of a virtual fingertip, read back with nothing of the package."""

import csv
import math

import cv2
import numpy as np
import pytest

from tactile_nodes.cli.main import main
from tactile_nodes.device.contract import Light
from tactile_nodes.device.virtual import VirtualDevice
from tactile_nodes.files.elastomer import read_elastomer
from tactile_nodes.files.scenario import read_scenario
from tactile_nodes.hand.resources import shipped
from tests.device.recordings import image_bag, types, write_bag

pytest.importorskip('rosbags')

HEADER = ('t,fx,fy,fz,tx,ty,tz,sd_fx,sd_fy,sd_fz,sd_tx,sd_ty,sd_tz,cx,cy,area,contact,'
          'stick_ratio,slip')
CALIBRATION = shipped('config/calibrations/VF-1001_soft_marked.yaml')
REST, ALL = 40, 80


@pytest.fixture(scope='module')
def frames():
    """At rest, then a press of 2 N, at 30 Hz."""
    elastomer = read_elastomer(shipped('config/elastomers/soft_marked.yaml'))
    scenario = read_scenario(shipped('config/scenarios/pick_plum_finger.yaml'))
    device = VirtualDevice('VF-1001', elastomer, scenario, frame_rate=30.0, scenario_start=1.0,
                           realtime=False)
    with device:
        device.set_light(Light(0.6, 0.6, 0.6))
        device.start()
        return [device.read(1.0) for _ in range(ALL)]


def messages(frames, kind='bgr8'):
    known = types()

    def message(frame):
        header = known['std_msgs/msg/Header'](
            known['builtin_interfaces/msg/Time'](*divmod(frame.stamp_ns, 10**9)), 'tip')
        if kind == 'jpeg':
            data = cv2.imencode('.jpg', frame.image, (cv2.IMWRITE_JPEG_QUALITY, 95))[1]
            return known['sensor_msgs/msg/CompressedImage'](header, 'jpeg', data.reshape(-1))
        image = frame.image[..., ::-1] if kind == 'rgb8' else frame.image
        return known['sensor_msgs/msg/Image'](header, *image.shape[:2], kind, 0, 960,
                                              np.ascontiguousarray(image).reshape(-1))
    name = 'sensor_msgs/msg/CompressedImage' if kind == 'jpeg' else 'sensor_msgs/msg/Image'
    return name, [message(frame) for frame in frames]


@pytest.fixture(scope='module')
def bag(frames, tmp_path_factory):
    return write_bag(tmp_path_factory.mktemp('raw') / 'bag',
                     {'/thumb/image_raw': messages(frames)})


def process(bag, out, *options):
    return main(['process', str(bag), '--calibration', str(CALIBRATION), '--out', str(out),
                 *options])


def table(out):
    text = (out / 'wrench.csv').read_text()
    assert text.splitlines()[0] == HEADER
    return list(csv.DictReader(text.splitlines()))


@pytest.fixture(scope='module')
def processed(bag, tmp_path_factory):
    out = tmp_path_factory.mktemp('out') / 'deep' / 'er'
    assert process(bag, out, '--overlay') == 0
    return out


def test_one_line_per_image_with_its_stamp(processed, frames):
    rows = table(processed)
    assert [row['t'] for row in rows] == [
        f'{f.stamp_ns // 10**9}.{f.stamp_ns % 10**9:09d}' for f in frames]


def test_values_are_the_true_ones(processed, frames):
    rows = table(processed)
    for row, frame in zip(rows, frames, strict=True):
        touched = row['contact'] == '1'
        assert touched == frame.truth.in_contact or abs(frame.truth.wrench[2]) < 0.05
        assert (row['cx'] == '') == (row['cy'] == '') == (not touched)
        assert (float(row['area']) > 0) == touched
        assert row['slip'] in '01' and 0 <= float(row['stick_ratio']) <= 1
        assert all(math.isfinite(float(row[f'sd_{a}'])) for a in ('fx', 'fy', 'fz', 'tz'))
    press = rows[-1], frames[-1].truth
    assert float(press[0]['fz']) == pytest.approx(press[1].wrench[2], rel=0.25)
    assert float(press[0]['cx']) == pytest.approx(press[1].centroid[0], abs=2e-4)


def test_movie_shows_every_image(processed):
    movie = cv2.VideoCapture(str(processed / 'overlay.mp4'))
    assert movie.get(cv2.CAP_PROP_FPS) == pytest.approx(30, rel=0.02)
    count = 0
    while movie.read()[0]:
        count += 1
    assert count == ALL
    assert sorted(file.name for file in processed.iterdir()) == ['overlay.mp4', 'wrench.csv']


def test_other_encodings_and_storages(frames, processed, tmp_path, capsys):
    bag = write_bag(tmp_path / 'rgb', {'/image': messages(frames, 'rgb8')}, 'SQLITE3')
    assert process(bag, tmp_path / 'a') == 0
    assert (tmp_path / 'a' / 'wrench.csv').read_text() == \
        (processed / 'wrench.csv').read_text()
    bag = write_bag(tmp_path / 'jpeg', {'/image': messages(frames, 'jpeg')})
    assert process(bag, tmp_path / 'b') == 0
    assert 'reference  30 frames at rest from 0.00 s on' in capsys.readouterr().out
    for raw, jpeg in zip(table(processed), table(tmp_path / 'b'), strict=True):
        assert float(jpeg['fz']) == pytest.approx(float(raw['fz']), abs=0.1)


def test_corrupt_images_are_dropped_and_counted(frames, tmp_path, capsys):
    kind, whole = messages(frames, 'jpeg')
    whole[50].data = whole[50].data[:200]
    whole[60] = b'\x00\x01\x00\x00' + b'\x07' * 9
    bag = write_bag(tmp_path / 'bag', {'/image': (kind, whole)})
    assert process(bag, tmp_path / 'out') == 0
    assert 'dropped: 2 corrupt image' in capsys.readouterr().out
    assert len(table(tmp_path / 'out')) == ALL - 2


def test_the_camera_among_its_own_pictures_is_found(frames, tmp_path, capsys):
    few = frames[:REST]
    bag = write_bag(tmp_path / 'bag', {
        '/a/image_raw': messages(few), '/a/image_raw/compressed': messages(few, 'jpeg'),
        '/a/contact/mask': messages(few), '/a/contact/overlay': messages(few)})
    assert process(bag, tmp_path / 'out') == 0
    assert 'images     /a/image_raw\n' in capsys.readouterr().out
    two = write_bag(tmp_path / 'two', {'/a/image': messages(few), '/b/image': messages(few)})
    assert process(two, tmp_path / 'out') == 2
    assert 'several image topics, expected one of /a/image, /b/image' in capsys.readouterr().err
    assert process(two, tmp_path / 'out', '--image-topic', '/b/image') == 0


def test_bad_input_is_one_message_and_keeps_what_was_there(bag, frames, tmp_path, capsys):
    out = tmp_path / 'out'
    out.mkdir()
    (out / 'wrench.csv').write_text('the old one')

    def refused(bag, *options):
        assert process(bag, out, *options) == 2
        assert [file.name for file in out.iterdir()] == ['wrench.csv']
        assert (out / 'wrench.csv').read_text() == 'the old one'
        message, = (line for line in capsys.readouterr().err.splitlines() if 'tactile: ' in line)
        return message

    assert 'no such recording' in refused(tmp_path / 'none')
    assert "no such image topic, found '/nowhere', expected one of /thumb/image_raw" in refused(
        bag, '--image-topic', '/nowhere')
    assert 'another size than the calibration, found \'64x48\', expected 320x240' in refused(
        image_bag(tmp_path / 'small'))
    assert 'too few images' in refused(
        write_bag(tmp_path / 'short', {'/image': messages(frames[:3])}))
    moving = write_bag(tmp_path / 'moving', {'/image': messages(frames[REST + 8:REST + 22])})
    assert 'no untouched skin at rest' in refused(moving)


def test_an_interrupted_run_leaves_nothing_half_done(bag, tmp_path, monkeypatch):
    from tactile_nodes.core.pipeline import FingerPipeline

    def interrupted(self, image, stamp_ns):
        raise KeyboardInterrupt

    monkeypatch.setattr(FingerPipeline, 'process', interrupted)
    assert process(bag, tmp_path / 'out', '--overlay') == 130
    assert not list((tmp_path / 'out').iterdir())
