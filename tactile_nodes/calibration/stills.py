# SPDX-License-Identifier: Apache-2.0
"""Mean pictures of the moments of a recording at which everything rests."""

import csv
import math
from dataclasses import dataclass

from tactile_nodes.core.reference import MIN_FRAMES, ReferenceBuilder
from tactile_nodes.errors import DataError, FileError

REFERENCE_FRAMES = 30          # at the beginning of the recording, skin untouched
_COLUMNS = ('start_s', 'end_s', 'shape', 'radius_mm')
_SLACK = 1e-4                  # s; stamps and table are rounded


@dataclass(frozen=True)
class Indentation:
    """One line of the table: a ball rests in the skin.

    Attributes
    ----------
    start_s, end_s : float
        From the first image.
    radius : float
        Of the ball, m.
    """

    start_s: float
    end_s: float
    radius: float


def read_indentations(path):
    """Read a table of indentations: CSV with start_s, end_s, shape (sphere), radius_mm.

    Returns
    -------
    list of Indentation, in time order

    Raises
    ------
    FileError
        With the line that is wrong.
    """
    try:
        with open(path, newline='', encoding='utf-8') as file:
            lines = list(csv.reader(file))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise FileError(f'cannot be read ({error})', where=str(path)) from None
    head = tuple(word.strip() for word in lines[0]) if lines else ()
    if head != _COLUMNS:
        raise FileError('wrong columns', where=f'{path}, line 1', found=','.join(head),
                        expected=','.join(_COLUMNS))
    table = [_indentation(line, f'{path}, line {number}')
             for number, line in enumerate(lines[1:], 2) if line]
    if not table:
        raise FileError('no indentations', where=str(path))
    table.sort(key=lambda press: press.start_s)
    for before, press in zip(table, table[1:], strict=False):
        if press.start_s <= before.end_s:
            raise FileError('indentations overlap', where=str(path),
                            found=f'{before.start_s:g}-{before.end_s:g} s and '
                                  f'{press.start_s:g}-{press.end_s:g} s')
    return table


def _indentation(line, where):
    words = [word.strip() for word in line]
    if len(words) != len(_COLUMNS):
        raise FileError('wrong number of columns', where=where, found=len(words),
                        expected=len(_COLUMNS))
    if words[2] != 'sphere':
        raise FileError('unknown shape', where=where, found=words[2], expected='sphere')
    try:
        start, end, radius = (float(words[i]) for i in (0, 1, 3))
    except ValueError:
        raise FileError('not a number', where=where, found=','.join(words)) from None
    if not (0 <= start < end < math.inf and 0 < radius < math.inf):
        raise FileError('impossible values', where=where, found=','.join(words),
                        expected='0 <= start_s < end_s, radius_mm above 0')
    return Indentation(start, end, radius * 1e-3)


def take_stills(frames, indentations):
    """Average the untouched skin at the beginning and every indentation.

    Parameters
    ----------
    frames : iterable of Frame
    indentations : list of Indentation, in time order

    Returns
    -------
    reference : Reference
        Of the first 30 frames.
    presses : list of (Reference, float)
        Mean picture and ball radius in m, for `fit_shading`.

    Raises
    ------
    DataError
        Too few frames somewhere, or the scene moved.
    """
    first = base = None
    builders = [None] * len(indentations)
    for count, frame in enumerate(frames):
        if first is None:
            first = frame.stamp_ns
            base = ReferenceBuilder(frame.image.shape[:2])
        seconds = (frame.stamp_ns - first) * 1e-9
        if count < REFERENCE_FRAMES:
            base.add(frame.image)
        for i, press in enumerate(indentations):
            if press.start_s - _SLACK <= seconds <= press.end_s + _SLACK:
                if count < REFERENCE_FRAMES:
                    raise DataError('the recording must begin untouched', where='recording',
                                    found=f'indentation {i + 1} at {press.start_s:g} s',
                                    expected=f'{REFERENCE_FRAMES} frames before the first')
                builders[i] = builders[i] or ReferenceBuilder(frame.image.shape[:2])
                builders[i].add(frame.image)
    if base is None or base.count < REFERENCE_FRAMES:
        raise DataError('too few frames', where='recording', found=base.count if base else 0,
                        expected=f'{REFERENCE_FRAMES} of the untouched skin, then indentations')
    return (_finish(base, 'the first frames'),
            [(_finish(builder, f'indentation {i + 1} ({press.start_s:g}-{press.end_s:g} s)'),
              press.radius)
             for i, (builder, press) in enumerate(zip(builders, indentations, strict=True))])


def _finish(builder, where):
    if builder is None:
        raise DataError('no frames', where=where, expected=f'at least {MIN_FRAMES}',
                        fix='Times in the table count from the first image.')
    try:
        return builder.finish()
    except DataError as error:
        raise DataError(error.what, where=where, found=error.found, expected=error.expected,
                        fix='Give the time in which everything rests.') from None
