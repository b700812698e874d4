# SPDX-License-Identifier: Apache-2.0
"""`tactile process`: bags of a virtual fingertip, read back with nothing of the package."""

import csv
import json
import math
import shutil
from datetime import datetime, timezone

import cv2
import numpy as np
import pytest

from tactile_nodes.cli.main import main
from tactile_nodes.device.contract import Light
from tactile_nodes.device.virtual import VirtualDevice
from tactile_nodes.files.elastomer import read_elastomer
from tactile_nodes.files.scenario import read_scenario
from tactile_nodes.files.trial import Trial, TrialFinger, write_trial
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
    said = capsys.readouterr().err
    assert 'several image topics, expected one of /a/image, /b/image' in said
    assert 'Name it: --image-topic' in said
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


@pytest.fixture(scope='module')
def bags(bag, frames, tmp_path_factory):
    """A folder of two recordings and what each gives alone."""
    folder = tmp_path_factory.mktemp('bags')
    shutil.copytree(bag, folder / 'whole')
    write_bag(folder / 'part', {'/thumb/image_raw': messages(frames[:60])})
    alone = {}
    for name in ('whole', 'part'):
        assert process(folder / name, folder / 'alone' / name) == 0
        alone[name] = (folder / 'alone' / name / 'wrench.csv').read_bytes()
    return folder, alone


def process_many(bags, out, *options):
    return main(['process', *map(str, bags), '--calibration', str(CALIBRATION), '--out', str(out),
                 *options])


def times(out):
    return {path.parent.name: path.stat().st_mtime_ns for path in out.glob('*/wrench.csv')}


def test_many_recordings_give_what_each_gives_alone(bags, tmp_path, capsys):
    folder, alone = bags
    assert process_many([folder / 'whole', folder / 'part', folder / 'none'], tmp_path,
                        '--workers', '2') == 0
    said = capsys.readouterr()
    assert 'left out: ' in said.err and 'no such recording' in said.err
    assert f'{tmp_path / "part"}: frames 60, ' in said.out
    assert f'{tmp_path}: 2 processed, 1 left out' in said.out
    for name, content in alone.items():
        assert (tmp_path / name / 'wrench.csv').read_bytes() == content
    assert process_many([folder / 'none', folder / 'nowhere'], tmp_path) == 2


def test_a_cluster_gives_the_same(bags, tmp_path):
    distributed = pytest.importorskip('distributed')
    folder, alone = bags
    with distributed.LocalCluster(
            n_workers=1, threads_per_worker=1, processes=False, protocol='tcp',
            host='127.0.0.1', dashboard_address=None) as cluster:
        assert process_many([folder], tmp_path, '--cluster', cluster.scheduler_address) == 0
    for name, content in alone.items():
        assert (tmp_path / name / 'wrench.csv').read_bytes() == content


def test_what_is_done_is_kept_until_something_changes(bags, tmp_path, monkeypatch):
    from tactile_nodes.trials import offline
    folder, calibration = tmp_path / 'bags', tmp_path / 'calibration.yaml'
    shutil.copytree(bags[0], folder, ignore=lambda *_: ['alone'])
    shutil.copy(CALIBRATION, calibration)
    out, work_through = tmp_path / 'out', offline.work_through

    def run(*options):
        return main(['process', str(folder), '--calibration', str(calibration), '--out', str(out),
                     '--workers', '1', *options])

    def interrupted(recording, *rest):
        if recording.path.name == 'whole':
            raise KeyboardInterrupt
        return work_through(recording, *rest)

    monkeypatch.setattr(offline, 'work_through', interrupted)
    assert run() == 130
    monkeypatch.undo()
    first = times(out)
    assert list(first) == ['part']
    assert run() == 0
    both = times(out)
    assert both['part'] == first['part'] and set(both) == {'part', 'whole'}
    (out / 'part' / 'wrench.csv').write_text('cut off')
    assert run() == 0
    mended = times(out)
    assert mended['part'] > both['part'] and mended['whole'] == both['whole']
    shutil.rmtree(folder / 'part')
    shutil.copytree(bags[0] / 'whole', folder / 'part')
    assert run() == 0
    replaced = times(out)
    assert replaced['part'] > mended['part'] and replaced['whole'] == both['whole']
    calibration.write_text(calibration.read_text() + '# another\n')
    assert run() == 0
    assert all(now > replaced[name] for name, now in times(out).items())
    (out / '.processed.json').write_text('{"damaged')
    assert run('--overlay') == 0
    assert {file.name for file in (out / 'whole').iterdir()} == {'wrench.csv', 'overlay.mp4'}
    assert set(json.loads((out / '.processed.json').read_text())) == {
        str(out / 'part'), str(out / 'whole')}


def test_two_recordings_of_one_name_are_refused(bag, bags, tmp_path, capsys):
    (tmp_path / 'part').mkdir()
    shutil.copytree(bag, tmp_path / 'part' / 'whole')
    assert process_many([bags[0], tmp_path / 'part'], tmp_path / 'out') == 2
    assert "two recordings have the same name, found 'whole'" in capsys.readouterr().err
    assert not (tmp_path / 'out').exists()


def test_a_trial_is_worked_through_with_its_own_calibrations(frames, tmp_path, capsys):
    few = frames[:60]
    folder = tmp_path / 'trial'
    write_bag(folder, {f'/sorter/{name}/image_raw/compressed': messages(few, 'jpeg')
                       for name in ('thumb', 'index', 'ring')})
    fingers = {}
    for name, serial in (('thumb', 'VF-1001'), ('index', 'VF-1002')):
        (folder / 'setup').mkdir(exist_ok=True)
        shutil.copy(shipped(f'config/calibrations/{serial}_soft_marked.yaml'),
                    folder / 'setup' / f'{name}.yaml')
        fingers[name] = TrialFinger(serial, 'soft_marked', f'setup/{name}.yaml')
    fingers['ring'] = TrialFinger('VF-1004', 'soft_marked', '')
    write_trial(Trial(folder, 'sorter', '', '', '', 'finished', None, None,
                      datetime.now(timezone.utc), 2.0, fingers=fingers))
    assert main(['process', str(folder), '--out', str(tmp_path / 'own')]) == 0
    found = {path.parent.name: path for path in (tmp_path / 'own').glob('*/wrench.csv')}
    assert set(found) == {'thumb', 'index'}
    assert process(folder, tmp_path / 'thumb') == 0     # its serial says which is meant
    assert 'images     /sorter/thumb/image_raw/compressed' in capsys.readouterr().out
    assert (tmp_path / 'thumb' / 'wrench.csv').read_bytes() == found['thumb'].read_bytes()
    assert main(['process', str(folder), '--out', str(tmp_path / 'one'), '--image-topic',
                 '/sorter/index/image_raw/compressed']) == 0
    assert [path.name for path in (tmp_path / 'one').iterdir() if path.is_dir()] == ['index']
    (folder / 'trial.yaml').unlink()
    assert main(['process', str(folder), '--out', str(tmp_path / 'one')]) == 2
    assert 'expected --calibration CAL.yaml. Only trials have their own' in capsys.readouterr().err
