# SPDX-License-Identifier: Apache-2.0
import pytest

from tactile_nodes.errors import FileError
from tactile_nodes.files.section import read_section

GOOD = """
name: plum
count: 3
size_mm: 4.5
deep: true
xyz: [1, 2.0, -3]
inner: {kind: soft}
steps: [{at: 0}, {at: 1}]
"""


@pytest.fixture
def section(tmp_path):
    def make(text):
        path = tmp_path / 'some.yaml'
        path.write_text(text, encoding='utf-8')
        return read_section(path)
    return make


def test_every_kind_of_value(section, tmp_path):
    top = section(GOOD)
    assert top.keys()[:2] == ['name', 'count']
    assert top.text('name') == 'plum'
    assert top.integer('count', low=1) == 3
    assert top.number('size_mm', above=0) == 4.5
    assert top.flag('deep') is True
    assert top.numbers('xyz', 3) == (1.0, 2.0, -3.0)
    assert top.section('inner').choice('kind', ('soft', 'hard')) == 'soft'
    assert [step.integer('at') for step in top.sections('steps')] == [0, 1]
    top.finish()


def test_defaults_are_returned_as_they_are(section):
    top = section('{}')
    assert top.text('a', '') == ''
    assert top.number('b', None) is None
    assert top.number('c', 2.5, low=0) == 2.5
    assert top.integer('d', 7) == 7
    assert top.flag('e', False) is False
    assert top.numbers('f', 3, None) is None
    assert top.section('g', None) is None
    assert top.section('h', {}).keys() == []
    assert top.file('i', None) is None
    top.finish()


@pytest.mark.parametrize(('text', 'read', 'words'), [
    ('a: 1', lambda s: s.text('a'), ['a', 'found 1', 'a text', 'quotes']),
    ('a: "  "', lambda s: s.text('a'), ['a text']),
    ('a: yes', lambda s: s.number('a'), ['found True', 'a number']),
    ('a: .nan', lambda s: s.number('a'), ['nan', 'a number']),
    ('a: .inf', lambda s: s.number('a'), ['inf', 'a number']),
    ('a: 1e3', lambda s: s.number('a'), ["'1e3'", 'a number']),    # YAML 1.1 reads a text here
    ('a: 0', lambda s: s.number('a', above=0), ['found 0', 'above 0']),
    ('a: 9', lambda s: s.number('a', low=1, high=8), ['found 9', 'from 1 to 8']),
    ('a: 1.5', lambda s: s.integer('a'), ['found 1.5', 'a whole number']),
    ('a: 1', lambda s: s.flag('a'), ['found 1', 'true or false']),
    ('a: [1, 2]', lambda s: s.numbers('a', 3), ['[1, 2]', 'a list of 3 numbers']),
    ('a: [1, x]', lambda s: s.numbers('a'), ['x', 'a list of some numbers']),
    ('a: c', lambda s: s.choice('a', ('d', 'e')), ["'c'", 'one of d, e']),
    ('a: [1]', lambda s: s.section('a'), ['[1]', 'a mapping']),
    ('a: [1]', lambda s: s.sections('a'), ['[1]', 'a list of mappings']),
    ('a: gone.yaml', lambda s: s.file('a'), ['no such file', 'gone.yaml', 'relative']),
    ('b: 1', lambda s: s.text('a'), ['a', 'missing', 'a text']),
])
def test_a_wrong_value_names_file_key_found_and_expected(section, text, read, words):
    with pytest.raises(FileError) as caught:
        read(section(text))
    for word in ['some.yaml: a', *words]:
        assert word in str(caught.value)


def test_an_unknown_key_lists_the_known_ones(section):
    top = section('inner: {kind: soft, kidn: hard}')
    inner = top.section('inner')
    inner.text('kind')
    top.finish()
    with pytest.raises(FileError, match=r'some.yaml: inner.kidn: unknown key.*one of kind'):
        inner.finish()


@pytest.mark.parametrize(('text', 'words'), [
    ('- 1', ['wrong content', 'list', 'a mapping']),
    ('', ['wrong content', 'NoneType']),
    ('a: 1\na: 2', ['line 2', "key 'a' is given twice"]),
    ('a: {b: 1, b: 2}', ["key 'b' is given twice"]),
    ('a: [1', ['not valid YAML']),
    ('? [a]\n: 1', ['not a plain word']),
    ('a: !!python/object/apply:os.getcwd []', ['not valid YAML']),       # safe YAML only
])
def test_a_file_that_is_no_mapping(section, text, words):
    with pytest.raises(FileError) as caught:
        section(text)
    for word in ['some.yaml', *words]:
        assert word in str(caught.value)


def test_a_file_that_cannot_be_read(tmp_path):
    with pytest.raises(FileError, match='no such file'):
        read_section(tmp_path / 'gone.yaml')
    with pytest.raises(FileError, match='not a file'):
        read_section(tmp_path)
    (tmp_path / 'latin.yaml').write_bytes(b'a: \xe4')
    with pytest.raises(FileError, match='cannot be read'):
        read_section(tmp_path / 'latin.yaml')


def test_a_file_is_relative_to_the_file_that_names_it(section, tmp_path):
    (tmp_path / 'other.yaml').write_text('b: 1')
    assert section('a: other.yaml').file('a') == tmp_path / 'other.yaml'
