# SPDX-License-Identifier: Apache-2.0
"""`tactile report`: a page per trial and one that compares them."""

import json
import sys
from functools import partial
from pathlib import Path

from tactile_nodes.errors import FileError, TactileError
from tactile_nodes.trials.store import state_of

_KEPT = '.trials.json'       # numbers of the pages that are written, to go on from


def add_parser(subparsers):
    """Describe the subcommand."""
    parser = subparsers.add_parser(
        'report', help='write pages on trials and compare them',
        description='Write DIR/<trial>.html for each trial, and DIR/index.html that compares '
                    'their conditions. Pages that are newer than their trial are kept.')
    parser.add_argument('trials', nargs='+', type=Path, metavar='TRIAL',
                        help='trials, or folders of them')
    parser.add_argument('--out', type=Path, default=Path('report'), metavar='DIR',
                        help='folder for the pages (default: report)')
    add_many(parser)
    parser.set_defaults(run=run)


def add_many(parser):
    """Add how to work through many trials."""
    parser.add_argument('--workers', type=int, metavar='N',
                        help='processes to use (default: as many as there are cores)')
    parser.add_argument('--cluster', metavar='ADDRESS',
                        help='scheduler of a running Dask cluster to use instead, such as '
                             'tcp://10.0.0.5:8786; its workers need this package and the files')


def make_folder(folder):
    """Make a folder for results, unless it is there; FileError if that cannot be done."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise FileError(f'the folder cannot be made ({error.strerror})', where=str(folder)
                        ) from None


def run(args):
    """Write the pages; 2 when no trial could be read."""
    from tactile_nodes.cli.report_set import write_set_page
    from tactile_nodes.trials.store import check_names, trial_folders

    folders = [folder.absolute() for folder in trial_folders(args.trials)]
    check_names(folders)
    trials, left_out = write_pages(folders, args.out.absolute(), args.workers, args.cluster)
    for _, why in left_out:
        print(f'left out: {why}', file=sys.stderr)
    if not trials:
        raise FileError('no trial could be read', where=', '.join(map(str, args.trials)))
    write_set_page(args.out / 'index.html', trials,
                   [(name, str(why)) for name, why in left_out])
    print(f'{args.out / "index.html"}: {len(trials)} trials'
          + (f', {len(left_out)} left out' if left_out else ''))
    return 0


def write_pages(folders, out, workers=None, cluster=None):
    """Write what is not there yet.

    Returns
    -------
    trials : list of dict
        As of `write_trial_page`, in the order of `folders`.
    left_out : list of (Path, TactileError)
    """
    from tactile_nodes.cli.progress import Progress
    from tactile_nodes.cli.report_trial import write_trial_page
    from tactile_nodes.trials.many import for_each, read_kept

    make_folder(out)
    kept = read_kept(out / _KEPT)
    done = {folder: kept[folder.name]['numbers'] for folder in folders
            if _is_current(kept.get(folder.name), folder, out)}
    todo, left_out = [folder for folder in folders if folder not in done], []
    with Progress('writing pages', len(todo), 'trials') as progress:
        for folder, result in for_each(partial(write_trial_page, out=out), todo,
                                       workers=workers, cluster=cluster):
            if isinstance(result, TactileError):
                left_out.append((folder, result))
            else:
                done[folder] = result
                kept[folder.name] = {'state': state_of(folder), 'numbers': result}
                (out / _KEPT).write_text(json.dumps(kept), encoding='utf-8')
            progress(len(done) + len(left_out))
    order = {folder: index for index, folder in enumerate(folders)}
    return ([done[folder] for folder in folders if folder in done],
            sorted(left_out, key=lambda pair: order[pair[0]]))


def _is_current(entry, folder, out):
    return entry is not None and entry['state'] == state_of(folder) \
        and (out / entry['numbers']['page']).exists()
