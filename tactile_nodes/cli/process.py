# SPDX-License-Identifier: Apache-2.0
"""`tactile process`: a recording through the live core, into a table of wrenches."""

from contextlib import ExitStack
from pathlib import Path

from tactile_nodes.cli.progress import Progress
from tactile_nodes.errors import FileError


def add_parser(subparsers):
    """Describe the subcommand."""
    parser = subparsers.add_parser(
        'process', help='work a recording through, into wrench.csv',
        description='Work the images of a recording through, exactly as the nodes do live, and '
                    'write DIR/wrench.csv: one line per image with wrench, standard deviation, '
                    'place and area of the contact, stick ratio and slip. The no-contact '
                    'reference is the recorded one, else the first untouched frames at rest.')
    parser.add_argument('bag', metavar='BAG', type=Path,
                        help='bag folder, .mcap or .db3 file, or folder of images')
    parser.add_argument('--calibration', metavar='CAL.yaml', type=Path, required=True,
                        help='calibration of the fingertip and elastomer that were recorded')
    parser.add_argument('--out', metavar='DIR', type=Path, required=True,
                        help='folder for the results; a wrench.csv in it is replaced')
    parser.add_argument('--image-topic', metavar='TOPIC',
                        help='image topic, where the bag has several cameras')
    parser.add_argument('--overlay', action='store_true',
                        help='write DIR/overlay.mp4 too: the images with what was found in them')
    parser.set_defaults(run=run)


def run(args):
    """Process and write; 0 when it is written."""
    import cv2

    from tactile_nodes.core.overlay import draw_overlay
    from tactile_nodes.files.calibration import read_calibration
    from tactile_nodes.trials.offline import Recording, prepare, work_through
    from tactile_nodes.trials.results import Movie, WrenchTable

    cv2.setNumThreads(1)        # as the nodes
    calibration = read_calibration(args.calibration)
    recording = Recording(args.bag, args.image_topic)
    print(f'images     {recording.topic or recording.path}')
    with Progress('looking for the reference') as progress:
        start = prepare(recording, calibration, progress)
    print(f'reference  {start.about}')
    try:
        args.out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise FileError(f'the folder cannot be made ({error.strerror})',
                        where=str(args.out)) from None
    touched = done = 0
    with ExitStack() as stack:
        table = stack.enter_context(WrenchTable(args.out / 'wrench.csv'))
        movie = stack.enter_context(
            Movie(args.out / 'overlay.mp4', start.frame_rate)) if args.overlay else None
        progress = stack.enter_context(Progress('processing', start.frames))
        for frame, contact, markers, estimate in work_through(recording, calibration, start):
            table.add(frame.stamp_ns, contact, estimate)
            if movie is not None:
                movie.add(draw_overlay(frame.image, calibration.geometry, contact, markers,
                                       estimate))
            touched += contact.in_contact
            done += 1
            progress(done)
    lost = ', '.join(f'{count} {what}' for what, count in sorted(recording.dropped.items()))
    print(f'frames     {done}, {touched} of them in contact' + (f'; dropped: {lost}' if lost
                                                                 else ''))
    print(f'written    {args.out / "wrench.csv"}' + (f', {args.out / "overlay.mp4"}'
                                                     if args.overlay else ''))
    return 0
