# SPDX-License-Identifier: Apache-2.0
"""`tactile export`: trials as arrays in one HDF5 file."""

import argparse
import shutil
import sys
from functools import partial
from pathlib import Path

from tactile_nodes.cli.report import add_many, make_folder
from tactile_nodes.errors import FileError, TactileError


def add_parser(subparsers):
    """Describe the subcommand."""
    parser = subparsers.add_parser(
        'export', help='write trials as arrays for learning',
        description='Write trials into one HDF5 file, each finger and signal on the clock of its '
                    'trial, without interpolation, with validity flags. What is in FILE.h5 '
                    'already and has not changed is kept.')
    parser.add_argument('trials', nargs='+', type=Path, metavar='TRIAL',
                        help='trials, or folders of them')
    parser.add_argument('--out', type=Path, required=True, metavar='FILE.h5')
    parser.add_argument('--pictures', default='masks',
                        choices=('none', 'frames', 'masks', 'depth'),
                        help='images to export: none, the frames, contact masks (default), depth')
    parser.add_argument('--rate', type=_rate, metavar='HZ',
                        help="rows per second (default: each trial's frame rate)")
    add_many(parser)
    parser.set_defaults(run=run)


def run(args):
    """Export; 2 when no trial could be read."""
    from tactile_nodes.cli.progress import Progress
    from tactile_nodes.trials.export import Options, hdf5
    from tactile_nodes.trials.many import for_each
    from tactile_nodes.trials.store import check_names, trial_folders

    hdf5()
    out, options = args.out.absolute(), Options(args.pictures, args.rate)
    folders = [folder.absolute() for folder in trial_folders(args.trials)]
    check_names(folders)
    parts = out.with_suffix('.parts')
    make_folder(parts)
    done, left_out = {}, []
    with Progress('exporting', len(folders), 'trials') as progress:
        for folder, result in for_each(partial(export_part, out=out, options=options), folders,
                                       workers=args.workers, cluster=args.cluster):
            if isinstance(result, TactileError):
                left_out.append(str(result))
            else:
                done[folder] = result
            progress(len(done) + len(left_out))
    for text in [*left_out, *(f'{folder.name}: {text}' for folder in folders
                              for text in done.get(folder, ()))]:
        print(f'left out: {text}', file=sys.stderr)
    if not done:
        raise FileError('no trial could be read', where=', '.join(map(str, args.trials)))
    _join(out, parts, sorted(folder.name for folder in done))
    print(f'{args.out}: {len(done)} trials'
          + (f', {len(left_out)} left out' if left_out else ''))
    return 0


def export_part(folder, out, options):
    """Export one trial into a file of its own, unless an earlier run has done it."""
    from tactile_nodes.trials.export import export_trial, hdf5
    from tactile_nodes.trials.store import state_of

    part, wanted = out.with_suffix('.parts') / f'{folder.name}.h5', repr((state_of(folder),
                                                                          options))
    h5py = hdf5()
    for file in (part, out):
        try:
            with h5py.File(file, 'r') as known:
                group = known.get(folder.name)
                if group is not None and group.attrs.get('made_of') == wanted:
                    return list(group.attrs['left_out'])
        except OSError:
            continue
    return export_trial(folder, part, options)


def _join(out, parts, names):
    """Bring the parts, and what is kept of an earlier file, into one; then it replaces that."""
    from tactile_nodes.trials.export import hdf5
    h5py = hdf5()
    unfinished = out.with_suffix('.unfinished')
    try:
        with h5py.File(unfinished, 'w') as file:
            file.attrs['about'] = 'tactile trials; SI units, fingertip frames'
            for name in names:
                part = parts / f'{name}.h5'
                with h5py.File(part if part.exists() else out, 'r') as source:
                    source.copy(name, file)
        unfinished.replace(out)
    except OSError as error:
        raise FileError(f'cannot be written ({error})', where=str(out),
                        fix=f'The trials done are kept in {parts}: make room and run it again.'
                        ) from None
    shutil.rmtree(parts)


def _rate(text):
    value = float(text)
    if not 0 < value <= 1000:
        raise argparse.ArgumentTypeError(f'{text} is not above 0 and at most 1000 Hz')
    return value
