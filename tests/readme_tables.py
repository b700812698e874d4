# SPDX-License-Identifier: Apache-2.0
"""The README's tables, made from the code; `python -m tests.readme_tables` writes them anew."""

import re
from pathlib import Path

from tactile_nodes import interface
from tactile_nodes.files import device_profile

README = Path(__file__).parent.parent / 'README.md'


def _table(head, rows):
    lines = ['| ' + ' | '.join(head) + ' |', '|' + ' --- |' * len(head)]
    return '\n'.join(lines + ['| ' + ' | '.join(row) + ' |' for row in rows])


def _topic_rows(topics):
    return [(f'`{t.name}`', f'`{t.type}`', t.node, t.about + (' (latched)' if t.latched else ''))
            for t in topics]


def _range(parameter):
    if parameter.low is None:
        return ''
    return f'{parameter.low:g} to {parameter.high:g}'


def _parameter_rows():
    common = {p.name for p in interface.COMMON}
    for node, parameters in interface.PARAMETERS.items():
        for p in parameters:
            if p.name in common and node != 'device':
                continue
            where = 'every finger node' if p.name in common else node
            yield (where, f'`{p.name}`', f'`{p.default!r}`', p.unit, _range(p),
                   'start' if p.read_only else 'live', p.about)


def tables():
    """{name: Markdown} of all tables."""
    return {
        'finger topics': _table(('topic', 'type', 'node', 'what'),
                                _topic_rows(interface.FINGER_TOPICS + (interface.GOAL,))),
        'hand topics': _table(('topic', 'type', 'node', 'what'),
                              _topic_rows(interface.HAND_TOPICS)),
        'services': _table(('service', 'type', 'node', 'what'),
                           [(f'`{name}`', f'`{kind}`', node, about)
                            for name, kind, node, about in interface.SERVICES]),
        'parameters': _table(('node', 'parameter', 'default', 'unit', 'range', 'set', 'what'),
                             _parameter_rows()),
        'device profile': _table(('key', 'needed', 'what to fill in'),
                                 [(f'`{key}`', needed, about)
                                  for key, needed, about in device_profile.KEYS]),
    }


def fill(text):
    """README text with every `<!-- table: NAME -->` block renewed."""
    for name, table in tables().items():
        block = re.compile(rf'(<!-- table: {name} -->\n).*?(<!-- end -->)', re.DOTALL)
        if not block.search(text):
            raise LookupError(f'README.md has no block for the table {name!r}')
        text = block.sub(lambda match, table=table: match[1] + table + '\n' + match[2], text)
    return text


if __name__ == '__main__':
    README.write_text(fill(README.read_text(encoding='utf-8')), encoding='utf-8')
