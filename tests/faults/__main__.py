# SPDX-License-Identifier: Apache-2.0
"""Breaks a running hand in every way that can be thought of, and judges how it takes that.

    python -m tests.faults [--only TEXT ...] [--combinations N] [--seed N] [--table FILE]

Runs four virtual fingers, one of them as a process per node, with hand node and recorder, and puts
in one fault after the other, then several at once, chosen by the seed. Prints a line per demand;
`--table` writes a row per fault as Markdown.
Exit code 0: all were met; 1: not.
"""

import argparse
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from tests.faults.faults import all_faults
from tests.faults.judge import Judge
from tests.faults.rig import Rig, alone

_ROUND = 13.0            # s of the healthy hand: a round of its scenario
_AT_ONCE = 3


def main(argv=None):
    """Print the table; 0 when every demand is met."""
    args = _arguments(argv)
    alone()
    start = time.monotonic()
    with tempfile.TemporaryDirectory(prefix='faults') as folder:
        missed = _run(Path(folder), args)
    print(f'\n{missed} demands not met; seed {args.seed}; {time.monotonic() - start:.0f} s')
    return int(missed > 0)


def _run(folder, args):
    """Bring a hand up, do what is asked and return how many demands were not met."""
    missed, rows = 0, []
    with Rig(folder) as rig:
        if rig.wait_ready() is None:
            print('the hand did not come up')
            for report in {(r.source, r.text): r for r in rig.observer.reports}.values():
                print(f'  {report.source}: {report.text}')
            return 1
        judge = Judge(rig)
        judge.settle()
        worst = judge.watch(_ROUND)
        print(f'healthy: {", ".join(_rates(rig))}; largest error {worst:.1f} sd', flush=True)
        print(f'{"fault":44} {"demand":42} {"measured":24} met', flush=True)
        faults = [fault for fault in all_faults(rig)
                  if not args.only or any(word in fault.name for word in args.only)]
        for fault in faults:
            missing = fault.needs(rig)
            if missing:
                print(f'{fault.name:44} not tried: {missing}', flush=True)
                continue
            checks = judge.try_out(fault)
            rows += checks.items()
            missed += _say(checks)
        faults = [fault for fault in faults if not fault.needs(rig)]
        rng = np.random.default_rng(args.seed)
        for _ in range(args.combinations):
            missed += _say(judge.try_out(*_some(rng, faults)))
        rig.supervisor.stop(15.0)
        missed += _say({'afterwards': [judge.recordings()]})
    if args.table:
        args.table.write_text('\n'.join(markdown(rows)) + '\n', encoding='utf-8')
    return missed


def markdown(rows):
    """Yield the lines of a table of (fault, list of Check); bold is what was not met."""
    columns = {'reported': 'reported after', 'back': 'back after', 'others': 'other fingers keep',
               'numbers': 'wrong and not flagged', 'else': 'else'}
    yield '| '.join(['', 'fault ', *(f'{title} ' for title in columns.values())]) + '|'
    yield '|' + ' --- |' * (1 + len(columns))
    for fault, checks in rows:
        found = [next((c for c in checks if c.about == about), None) for about in columns]
        yield '| ' + ' | '.join([fault, *(
            '' if c is None else c.measured if c.met else f'**{c.measured}**' for c in found)]) \
            + ' |'


def _some(rng, faults):
    """Several faults of different parts of the hand, in random order."""
    mixed = {}
    for i in rng.permutation(len(faults)):
        mixed.setdefault(faults[i].part, faults[i])
    return list(mixed.values())[:_AT_ONCE]


def _rates(rig):
    now = time.monotonic()
    return [f'{finger} {rig.observer.rate(finger, now - 5, now):.1f} Hz' for finger in rig.fingers]


def _say(checks):
    missed = 0
    for name, found in checks.items():
        for check in found:
            print(f'{name:44} {check.demand:42} {check.measured:24} '
                  f'{"yes" if check.met else "NO"}', flush=True)
            missed += not check.met
    return missed


def _arguments(argv):
    parser = argparse.ArgumentParser(prog='python -m tests.faults', description=__doc__,
                                     formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument('--only', nargs='+', metavar='TEXT', help='only faults named so')
    parser.add_argument('--combinations', type=int, default=6, metavar='N',
                        help='how often several faults strike at once (default 6)')
    parser.add_argument('--seed', type=int, default=1, help='of the combinations (default 1)')
    parser.add_argument('--table', type=Path, metavar='FILE', help='Markdown table to write')
    return parser.parse_args(argv)


if __name__ == '__main__':
    sys.exit(main())
