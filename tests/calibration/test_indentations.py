# SPDX-License-Identifier: Apache-2.0
import numpy as np
import pytest

from tactile_nodes.calibration.indentations import (
    Indentation,
    choose_stills,
    read_indentations,
)
from tactile_nodes.errors import FileError

HEAD = 'start_s,end_s,shape,radius_mm\n'


def test_the_table_is_read_in_time_order(tmp_path):
    path = tmp_path / 'table.csv'
    path.write_text(HEAD + '2.0, 2.5, sphere, 4\n\n1,1.5,sphere,3.5\n3,4,flat box,\n')
    assert read_indentations(path) == [
        Indentation(1.0, 1.5, 'sphere', 3.5e-3), Indentation(2.0, 2.5, 'sphere', 4e-3),
        Indentation(3.0, 4.0, 'flat box', None)]


def test_a_table_from_a_spreadsheet(tmp_path):
    """Empty cells at the end, lines of them, another case of the heads."""
    path = tmp_path / 'table.csv'
    path.write_text('Start_s,End_s,Shape,Radius_mm,,\r\n1,1.5,Sphere,4,,\r\n2,3,box,,,\r\n,,,,,\r\n')
    assert read_indentations(path) == [Indentation(1.0, 1.5, 'sphere', 4e-3),
                                       Indentation(2.0, 3.0, 'box', None)]


@pytest.mark.parametrize(('text', 'expected'), [
    ('', 'line 1: wrong columns'),
    ('start,end\n1,2\n', 'line 1: wrong columns'),
    (HEAD, 'no indentations'),
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
    with pytest.raises(FileError, match='no such file'):
        read_indentations(tmp_path / 'none.csv')


def test_stills_show_the_largest_load_without_shear_and_half_of_it():
    seconds = np.arange(0, 10, 0.1)
    load = np.interp(seconds, [1, 2, 3, 5, 6], [0, 4, 4, 5, 0])
    shear = np.where(seconds > 3, 2.0, 0.1)
    ball, box = Indentation(1, 6, 'sphere', 4e-3), Indentation(7, 9, 'box', None)
    (deep, radius), (half, _) = choose_stills([ball, box], seconds, load, shear)
    assert radius == 4e-3 and load[deep] == 4 and shear[deep] == 0.1
    assert load[half] == pytest.approx(2, abs=0.2) and shear[half] == 0.1


def test_no_stills_where_nothing_presses():
    seconds = np.arange(0, 10, 0.1)
    ball = [Indentation(1, 6, 'sphere', 4e-3), Indentation(60, 70, 'sphere', 4e-3)]
    assert choose_stills(ball, seconds, 0 * seconds, 0 * seconds) == []
