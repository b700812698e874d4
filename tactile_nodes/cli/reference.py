# SPDX-License-Identifier: Apache-2.0
"""`tactile reference`: new no-contact references for the fingers of a running hand."""


def add_parser(subparsers):
    """Describe the subcommand."""
    parser = subparsers.add_parser(
        'reference', help='take new no-contact references of a running hand',
        description='Ask every finger that runs for a new no-contact reference, made of its '
                    'newest frames. Keep everything off the skin: a finger that something touches '
                    'refuses and keeps the old one. Exit code 1 if any finger refuses.')
    parser.add_argument('--fingers', metavar='A,B', help='only these fingers')
    parser.set_defaults(run=run)


def run(args):
    """Ask and show the answers; 0 if all fingers took one, else 1."""
    from tactile_nodes.cli.up import require_ros
    require_ros()
    from tactile_nodes.nodes.reference_client import capture_references

    answers = capture_references(args.fingers.split(',') if args.fingers is not None else None)
    width = max(map(len, answers))
    for name, (taken, text) in answers.items():
        print(f'{name:{width}}  {text}' if taken else f'{name:{width}}  refused: {text}')
    return 0 if all(taken for taken, _ in answers.values()) else 1
