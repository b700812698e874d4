# SPDX-License-Identifier: Apache-2.0
import numpy as np
import pytest

from tactile_nodes.calibration.stills import Indentation, read_indentations, take_stills
from tactile_nodes.core.types import Frame
from tactile_nodes.errors import DataError, FileError

HEAD = 'start_s,end_s,shape,radius_mm\n'


def frames(levels, rate=60.0):
    rng = np.random.default_rng(1)
    for i, level in enumerate(levels):
        image = np.round(level + rng.normal(0, 1, (32, 48, 3))).astype(np.uint8)
        yield Frame(image=image, stamp_ns=7_000_000_000 + round(i * 1e9 / rate), sequence=i)


def test_the_table_is_read_in_time_order(tmp_path):
    path = tmp_path / 'table.csv'
    path.write_text(HEAD + '2.0, 2.5, sphere, 4\n\n1,1.5,sphere,3.5\n')
    assert read_indentations(path) == [Indentation(1.0, 1.5, 3.5e-3), Indentation(2.0, 2.5, 4e-3)]


@pytest.mark.parametrize(('text', 'expected'), [
    ('', 'line 1: wrong columns'),
    ('start,end\n1,2\n', 'line 1: wrong columns'),
    (HEAD, 'no indentations'),
    (HEAD + '1,2,cube,4\n', "line 2: unknown shape, found 'cube', expected sphere"),
    (HEAD + '1,2,sphere,4\n3,4,sphere\n', 'line 3: wrong number of columns'),
    (HEAD + '1,x,sphere,4\n', 'line 2: not a number'),
    (HEAD + '2,1,sphere,4\n', 'line 2: impossible values'),
    (HEAD + '1,2,sphere,nan\n', 'line 2: impossible values'),
    (HEAD + '1,2,sphere,4\n1.5,3,sphere,4\n', 'overlap'),
])
def test_a_wrong_table_is_refused_by_line(tmp_path, text, expected):
    path = tmp_path / 'table.csv'
    path.write_text(text)
    with pytest.raises(FileError, match=f'table.csv.*{expected}'):
        read_indentations(path)


def test_a_missing_table_is_refused(tmp_path):
    with pytest.raises(FileError, match='cannot be read'):
        read_indentations(tmp_path / 'none.csv')


def test_stills_are_the_means_of_their_intervals():
    levels = [100] * 40 + [120] * 10 + [100] * 5 + [140] * 10
    presses = [Indentation(40 / 60, 49 / 60, 4e-3), Indentation(55 / 60, 64 / 60, 3e-3)]
    reference, found = take_stills(frames(levels), presses)
    assert reference.frames == 30 and reference.mean.mean() == pytest.approx(100, abs=0.1)
    assert [press.frames for press, _ in found] == [10, 10]
    assert [press.mean.mean() for press, _ in found] == pytest.approx([120, 140], abs=0.1)
    assert [radius for _, radius in found] == [4e-3, 3e-3]


@pytest.mark.parametrize(('levels', 'press', 'expected'), [
    ([100] * 20, (5, 6), 'recording: too few frames, found 20'),
    ([], (5, 6), 'recording: too few frames, found 0'),
    ([100] * 60, (5, 6), r'indentation 1 \(5-6 s\): no frames'),
    ([100] * 60, (0.9, 0.93), 'too few frames, found 2'),
    ([100] * 60, (0.2, 0.9), 'must begin untouched'),
    ([100] * 15 + [120] * 45, (0.7, 0.9), 'the first frames: the scene moved'),
    ([100] * 40 + [120] * 8 + [150] * 12, (0.7, 0.9), 'indentation 1.*the scene moved.*rests'),
])
def test_unusable_recordings_are_refused(levels, press, expected):
    with pytest.raises(DataError, match=expected):
        take_stills(frames(levels), [Indentation(*press, 4e-3)])
