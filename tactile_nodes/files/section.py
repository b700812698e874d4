# SPDX-License-Identifier: Apache-2.0
"""Checked access to a YAML mapping: every wrong key names file, key, found and expected."""

import os
import stat
import sys
from pathlib import Path

import yaml

from tactile_nodes.errors import FileError, escaped

MOST_BYTES = 128 * 1024      # of a file; larger ones are something else
_MOST_NODES = 100_000        # values of a file, those behind aliases counted at each alias
_MISSING = object()


class _UniqueKeyLoader(yaml.SafeLoader):
    """Safe YAML that refuses a key given twice instead of keeping the last.

    Refused too are aliases that contain themselves, or unfold to more than any file needs.
    """

    def get_single_node(self):
        node = super().get_single_node()
        if node is not None:
            _weigh(node, {})
        return node


def _weigh(node, known):
    """Values in a node of YAML; `known` holds the weights of nodes seen, None of open ones."""
    weight = known.setdefault(id(node), None)
    if weight is not None:
        return weight
    weight = 1
    if isinstance(node, yaml.CollectionNode):
        for part in node.value:
            for child in part if isinstance(part, tuple) else (part,):
                if id(child) in known and known[id(child)] is None:
                    raise _refused('an alias of what it is in', child)
                weight += _weigh(child, known)
    if weight > _MOST_NODES:
        raise _refused('aliases that unfold to too much', node)
    known[id(node)] = weight
    return weight


def _refused(problem, node):
    return yaml.constructor.ConstructorError(None, None, problem, node.start_mark)


def _unique_mapping(loader, node, deep=False):
    seen = set()
    for key_node, _ in node.value:
        key = loader.construct_object(key_node, deep=True)
        if not isinstance(key, (str, int, float, bool)):
            raise _refused('a key that is not a plain word', key_node)
        if key in seen:
            raise _refused(f'key {key!r} is given twice', key_node)
        seen.add(key)
    return yaml.SafeLoader.construct_mapping(loader, node, deep)


_UniqueKeyLoader.add_constructor(yaml.resolver.BaseResolver.DEFAULT_MAPPING_TAG, _unique_mapping)


def read_text(path):
    """Text of a small file.

    Raises
    ------
    FileError
        Missing, unreadable, not a plain file, larger than `MOST_BYTES`, or not UTF-8.
    """
    path = Path(path)
    try:
        if not stat.S_ISREG(path.stat().st_mode):      # a pipe or a device may never end
            raise FileError('not a file', where=str(path), fix='Check the path.')
        with path.open('rb') as stream:
            data = stream.read(MOST_BYTES + 1)
        text = data[:MOST_BYTES].decode('utf-8-sig')
    except FileNotFoundError:
        raise FileError('no such file', where=str(path), fix='Check the path.') from None
    except (OSError, ValueError) as error:
        raise FileError(f'cannot be read ({error})', where=str(path)) from None
    if len(data) > MOST_BYTES:
        raise FileError('too large', where=str(path), expected=f'at most {MOST_BYTES} bytes')
    return text


def read_section(path):
    """Read a YAML file whose top level is a mapping.

    Returns
    -------
    Section

    Raises
    ------
    FileError
        Missing, unreadable, not YAML, or not a mapping.
    """
    path, text = Path(path), read_text(path)
    try:
        data = yaml.load(text, Loader=_UniqueKeyLoader)
    except (yaml.YAMLError, ValueError, RecursionError) as error:
        mark = getattr(error, 'problem_mark', None)
        line = f', line {mark.line + 1}' if mark else ''
        problem = getattr(error, 'problem', None) or type(error).__name__
        raise FileError(f'not valid YAML ({problem})', where=f'{path}{line}') from None
    if not isinstance(data, dict):
        raise FileError('wrong content', where=str(path), found=type(data).__name__,
                        expected='a mapping (key: value lines)')
    return Section(data, path)


class Section:
    """One mapping of a YAML file, taken key by key; `finish` refuses what was not taken.

    Every reader raises FileError naming file and key. `default` makes a key optional.
    """

    def __init__(self, data, path, prefix=''):
        self.path, self._data, self._prefix = Path(path), dict(data), prefix
        self._known = set()

    def where(self, key=None):
        """`file: dotted.key` for messages."""
        dotted = '.'.join(str(part) for part in (self._prefix, key) if part not in ('', None))
        return f'{self.path}: {dotted}' if dotted else str(self.path)

    def error(self, key, found, expected, fix=None):
        """FileError about the value of `key`."""
        return FileError('wrong value', where=self.where(key), found=found, expected=expected,
                         fix=fix)

    def keys(self):
        """All keys of the mapping, in file order."""
        return list(self._data)

    def names(self):
        """All keys, which must be texts."""
        for key in self._data:
            if not isinstance(key, str) or escaped(key) != key:
                raise FileError('wrong key', where=self.where(), found=key, expected='a text',
                                fix='Put it in quotes if it looks like a number.')
        return list(self._data)

    def has(self, key):
        """Whether the key is given."""
        return key in self._data

    def _take(self, key, default, expected):
        self._known.add(key)
        if key in self._data:
            return self._data[key]
        if default is _MISSING:
            raise FileError('key is missing', where=self.where(key), expected=expected)
        return default

    def text(self, key, default=_MISSING):
        """A non-empty string without control characters."""
        value = self._take(key, default, 'a text')
        if value is not default and (not isinstance(value, str) or not value.strip()
                                     or escaped(value) != value):
            raise self.error(key, value, 'a text', 'Put it in quotes if it looks like a number.')
        return value

    def choice(self, key, options, default=_MISSING):
        """One of `options` (strings)."""
        value = self._take(key, default, 'one of ' + ', '.join(options))
        if value is not default and value not in options:
            raise self.error(key, value, 'one of ' + ', '.join(options))
        return value

    def flag(self, key, default=_MISSING):
        """true or false."""
        value = self._take(key, default, 'true or false')
        if value is not default and not isinstance(value, bool):
            raise self.error(key, value, 'true or false')
        return value

    def number(self, key, default=_MISSING, *, above=None, low=None, high=None):
        """A finite float above `above`, from `low`, to `high`."""
        expected = _range_text('a number', above, low, high)
        value = self._take(key, default, expected)
        if value is default and not isinstance(value, (int, float)):
            return value
        if not _is_number(value) or not _in_range(value, above, low, high):
            raise self.error(key, value, expected)
        return float(value)

    def integer(self, key, default=_MISSING, *, low=None, high=None):
        """An int from `low` to `high`."""
        expected = _range_text('a whole number', None, low, high)
        value = self._take(key, default, expected)
        if value is default and not isinstance(value, int):
            return value
        if not _is_number(value) or not isinstance(value, int) \
                or not _in_range(value, None, low, high):
            raise self.error(key, value, expected)
        return value

    def numbers(self, key, count=None, default=_MISSING, *, low=None, high=None):
        """A tuple of finite floats, `count` of them if given."""
        expected = _range_text(f'a list of {count or "some"} numbers', None, low, high)
        value = self._take(key, default, expected)
        if value is default:
            return value
        if not isinstance(value, list) or (count is not None and len(value) != count) \
                or not all(_is_number(v) and _in_range(v, None, low, high) for v in value):
            raise self.error(key, value, expected)
        return tuple(float(v) for v in value)

    def items(self, key):
        """A list of anything; the caller checks what is in it."""
        value = self._take(key, _MISSING, 'a list')
        if not isinstance(value, list):
            raise self.error(key, value, 'a list')
        return value

    def texts(self, key):
        """A list of strings."""
        value = self.items(key)
        if not all(isinstance(v, str) for v in value):
            raise self.error(key, value, 'a list of texts')
        return value

    def file(self, key, default=_MISSING):
        """Path of an existing file, relative to the file this section is in."""
        value = self.text(key, default)
        if value is default:
            return value
        path = Path(os.path.expanduser(value))
        path = path if path.is_absolute() else self.path.parent / path
        try:
            exists = path.exists()
        except OSError:                # such as a name that is too long
            exists = False
        if not exists:
            raise FileError('no such file', where=self.where(key), found=str(path),
                            fix='The path is relative to the file that names it.')
        return path

    def mapping(self, key, default=_MISSING):
        """A mapping as it stands, of whatever keys and values."""
        value = self._take(key, default, 'a mapping')
        if not isinstance(value, dict):
            raise self.error(key, value, 'a mapping (key: value lines)')
        return value

    def section(self, key, default=_MISSING):
        """The nested mapping of `key`."""
        value = self._take(key, default, 'a mapping')
        if value is default:
            return value if value is None else Section(value, self.path, self._child(key))
        if not isinstance(value, dict):
            raise self.error(key, value, 'a mapping (key: value lines)')
        return Section(value, self.path, self._child(key))

    def sections(self, key, default=_MISSING):
        """A list of nested mappings."""
        value = self._take(key, default, 'a list of mappings')
        if value is default:
            return value
        if not isinstance(value, list) or not all(isinstance(v, dict) for v in value):
            raise self.error(key, value, 'a list of mappings')
        return [Section(v, self.path, f'{self._child(key)}[{i}]') for i, v in enumerate(value)]

    def finish(self):
        """Raise FileError if the mapping has keys that nobody took."""
        unknown = [key for key in self._data if key not in self._known]
        if unknown:
            raise FileError('unknown key', where=self.where(unknown[0]), found=unknown[0],
                            expected='one of ' + ', '.join(sorted(map(str, self._known))))

    def _child(self, key):
        return f'{self._prefix}.{key}' if self._prefix else str(key)


def _is_number(value):
    return isinstance(value, (int, float)) and not isinstance(value, bool) \
        and -sys.float_info.max <= value <= sys.float_info.max


def _in_range(value, above, low, high):
    return (above is None or value > above) and (low is None or value >= low) \
        and (high is None or value <= high)


def _range_text(text, above, low, high):
    bounds = (('above', above), ('from', low), ('to', high))
    return ' '.join([text, *(f'{word} {bound:g}' for word, bound in bounds if bound is not None)])
