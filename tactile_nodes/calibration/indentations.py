# SPDX-License-Identifier: Apache-2.0
"""The table of indentations, and the moments of a recording that show a ball in the skin best."""

import csv
import io
import math
from dataclasses import dataclass

import numpy as np

from tactile_nodes.errors import FileError
from tactile_nodes.files.durable import write_durably
from tactile_nodes.files.section import read_text

_COLUMNS = ('start_s', 'end_s', 'shape', 'radius_mm')
_BALLS = ('sphere', 'ball')
_SHEAR = 0.15                  # of the normal force, up to which a ball rests where it was pressed
_PART = 0.5                    # of the largest load: a second, shallower picture


@dataclass(frozen=True)
class Indentation:
    """One line of the table: something is pressed into the skin.

    Attributes
    ----------
    start_s, end_s : float
        From the first image.
    shape : str
    radius : float or None
        Of the ball, m; None of another shape.
    """

    start_s: float
    end_s: float
    shape: str
    radius: float | None


def read_indentations(path):
    """Read a table of indentations: CSV with start_s, end_s, shape, radius_mm.

    A shape is any word; balls are called sphere and need a radius.

    Returns
    -------
    list of Indentation, in time order

    Raises
    ------
    FileError
        With the line that is wrong.
    """
    try:
        lines = list(csv.reader(io.StringIO(read_text(path), newline='')))
    except csv.Error as error:
        raise FileError(f'cannot be read ({error})', where=str(path)) from None
    lines = [_written(line) for line in lines]
    head = tuple(word.lower() for word in lines[0]) if lines else ()
    if head != _COLUMNS:
        raise FileError('wrong columns', where=f'{path}, line 1', found=','.join(head),
                        expected=','.join(_COLUMNS))
    table = [_indentation(line, f'{path}, line {number}')
             for number, line in enumerate(lines[1:], 2) if line]
    if not table:
        raise FileError('no indentations', where=str(path))
    table.sort(key=lambda press: press.start_s)
    for before, press in zip(table, table[1:], strict=False):
        if press.start_s < before.end_s:
            raise FileError('indentations overlap', where=str(path),
                            found=f'{before.start_s:g}-{before.end_s:g} s and '
                                  f'{press.start_s:g}-{press.end_s:g} s')
    return table


def write_indentations(path, indentations):
    """Write a table that `read_indentations` reads; FileError if that cannot be done."""
    text = io.StringIO()
    table = csv.writer(text, lineterminator='\n')
    table.writerow(_COLUMNS)
    table.writerows((f'{press.start_s:.4f}', f'{press.end_s:.4f}', press.shape,
                     '' if press.radius is None else f'{press.radius * 1e3:g}')
                    for press in indentations)
    write_durably(path, text.getvalue())


def _written(line):
    """Words of a line, without empty cells at its end as spreadsheets leave them."""
    words = [word.strip() for word in line]
    while words and not words[-1]:
        words.pop()
    return words


def _indentation(line, where):
    ball = any(name in word.lower() for name in _BALLS for word in line[2:3])
    words = line if ball else line + [''] * (len(_COLUMNS) - len(line))
    if len(words) != len(_COLUMNS):
        raise FileError('wrong number of columns', where=where, found=len(line),
                        expected=len(_COLUMNS))
    try:
        start, end = float(words[0]), float(words[1])
        radius = float(words[3]) if ball else None
    except ValueError:
        raise FileError('not a number', where=where, found=','.join(words)) from None
    if not words[2] or not 0 <= start < end < math.inf \
            or (ball and not 0 < radius < math.inf):
        raise FileError('impossible values', where=where, found=','.join(words),
                        expected='0 <= start_s < end_s, a shape, radius_mm of a sphere above 0')
    return Indentation(start, end, words[2].lower(), radius * 1e-3 if ball else None)


def choose_stills(indentations, seconds, load, shear):
    """Frames that show balls in the skin: per ball at its largest load, and at half of that.

    Parameters
    ----------
    indentations : sequence of Indentation
    seconds : (N,) float64
        Of the frames, from the first.
    load, shear : (N,) float64
        How hard something presses and drags in each frame, in any common unit.

    Returns
    -------
    list of (int, float)
        Frame and radius of the ball, m.
    """
    chosen = []
    for press in indentations:
        frames = np.flatnonzero((seconds >= press.start_s) & (seconds <= press.end_s))
        if press.radius is None or not len(frames) or not load[frames].max() > 0:
            continue
        loaded = frames[load[frames] > 0.3 * load[frames].max()]
        ratio = shear[loaded] / load[loaded]
        calm = loaded[ratio <= max(_SHEAR, np.quantile(ratio, 0.2))]
        best = calm[np.argmax(load[calm])]
        half = calm[np.argmin(np.abs(load[calm] - _PART * load[best]))]
        chosen += [(int(frame), press.radius) for frame in dict.fromkeys((best, half))]
    return chosen
