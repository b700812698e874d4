# SPDX-License-Identifier: Apache-2.0
"""Input that nobody should have to read, for the tests of everything that reads.

Hypothesis makes it: the same each time. HOSTILE_EXAMPLES=20000 in the environment looks longer,
and at other input each time.
"""

import copy
import os
from datetime import date

import yaml
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st

from tactile_nodes.errors import TactileError

EXAMPLES = int(os.environ.get('HOSTILE_EXAMPLES', '0'))
hostile = settings(max_examples=EXAMPLES or 30, derandomize=not EXAMPLES, deadline=None,
                   database=None, suppress_health_check=list(HealthCheck))

NUMBERS = st.one_of(
    st.sampled_from([0, -1, 1, 255, 256, 65536, 2**31, 2**32, 2**63, 2**64, 10**400, -10**400,
                     0.0, -0.0, 1e-320, 1e308, -1e308, float('nan'), float('inf'),
                     float('-inf')]),
    st.integers(), st.floats())
TEXTS = st.one_of(
    st.sampled_from(['', ' ', '\0', '\x1b[2J', 'a\nb', '..', '../..', '/', '/dev/zero', '~',
                     '~nobody/x', 'x' * 5000, '\ud800', '\u202e', 'null', '1:30', '<<', '=',
                     '0x', '%s{}', '-']),
    st.text(max_size=30))
VALUES = st.recursive(
    st.one_of(st.none(), st.booleans(), NUMBERS, TEXTS, st.binary(max_size=8),
              st.dates(date(1, 1, 1))),
    lambda inner: st.one_of(st.lists(inner, max_size=4),
                            st.dictionaries(st.one_of(TEXTS, NUMBERS), inner, max_size=4)),
    max_leaves=8)
# what YAML itself makes something of
MARKUP = st.text('{}[]:,&*!|>-?\'"%@`#\n\t ~=<.0123456789abcdefxyz_\\', max_size=200)


def is_right(read, path, kind):
    """Whether reading a file gives a `kind` or a TactileError that can be printed."""
    try:
        return isinstance(read(path), kind)
    except TactileError as error:
        return is_a_message(error)


def is_a_message(error):
    """Whether this is a message for a terminal: not too long, nothing that moves its cursor."""
    text = str(error)
    text.encode()
    return 0 < len(text) < 20_000 and '\x1b' not in text and '\0' not in text


@st.composite
def spoilt(draw, content):
    """Text of a YAML file like `content`, of which one to three values are others."""
    content = {'top': copy.deepcopy(content)}
    for _ in range(draw(st.integers(1, 3))):
        holder, key = draw(st.sampled_from(list(_places(content))))
        how = draw(st.sampled_from(['other', 'other', 'other', 'gone', 'inside', 'more']))
        if how == 'gone':
            del holder[key]
        elif how == 'inside':
            holder[key] = [holder[key]]
        elif how == 'more' and isinstance(holder, dict):
            holder[draw(st.one_of(TEXTS, NUMBERS))] = draw(VALUES)
        else:
            holder[key] = draw(VALUES)
        content.setdefault('top', None)
    return yaml.safe_dump(content['top'], sort_keys=False).encode()


def _places(value):
    """(holder, key) of every value inside."""
    keys = value if isinstance(value, dict) else range(len(value)) \
        if isinstance(value, list) else ()
    for key in list(keys):
        yield value, key
        yield from _places(value[key])


@st.composite
def damaged(draw, data):
    """Bytes like `data`, with pieces cut out, doubled, or replaced."""
    data = bytearray(data)
    for _ in range(draw(st.integers(1, 4))):
        at = draw(st.integers(0, len(data)))
        end = min(len(data), at + draw(st.sampled_from([0, 1, 1, 2, 4, 8, 50, 1000])))
        new = draw(st.one_of(st.binary(max_size=8), st.sampled_from([
            bytes(data[at:end]) * 2, b'\xff' * (end - at), b'\0' * (end - at)])))
        data[at:end] = new
    return bytes(data)
