# SPDX-License-Identifier: Apache-2.0
"""The command `tactile`; each subcommand is a module with `add_parser` and `run`."""

import argparse
import sys
from importlib import import_module

from tactile_nodes import __version__
from tactile_nodes.errors import TactileError

COMMANDS = ('demo', 'up', 'devices', 'check', 'calibrate', 'process', 'reference',
            'trial', 'report', 'export', 'bench')


def main(argv=None):
    """Run the command line and return its exit code: 0, 2 for bad input, 130 for Ctrl-C."""
    try:
        return _run(argv)
    except TactileError as error:
        print(f'tactile: {error}', file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        return 130


def _run(argv):
    parser = argparse.ArgumentParser(prog='tactile', description='Camera-based tactile fingertips '
                                                                 'on a robot hand.')
    parser.add_argument('--version', action='version', version=f'%(prog)s {__version__}')
    subparsers = parser.add_subparsers(title='commands', metavar='COMMAND', required=True)
    for name in COMMANDS:
        import_module(f'tactile_nodes.cli.{name}').add_parser(subparsers)
    args = parser.parse_args(argv)
    return args.run(args)


if __name__ == '__main__':
    sys.exit(main())
