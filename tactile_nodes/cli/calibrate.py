# SPDX-License-Identifier: Apache-2.0
"""`tactile calibrate`: everything about a fingertip that one recorded press session can tell."""

import sys
from pathlib import Path

from tactile_nodes.cli.progress import Progress

_WRENCH, _POINT = 'geometry_msgs/msg/WrenchStamped', 'geometry_msgs/msg/PointStamped'


def add_parser(subparsers):
    """Describe the subcommand."""
    parser = subparsers.add_parser(
        'calibrate', help='calibrate a fingertip from a recorded press session',
        description='Measure image scale, shading, force and its uncertainty of a fingertip with '
                    'its elastomer, as far as the recording has evidence. Record a second of '
                    'untouched skin, then 30 or more presses of several loads, places, shears '
                    'and twists, lifting off between them, on a force/torque sensor.')
    parser.add_argument('recording', metavar='BAG', type=Path,
                        help='bag, or folder of images at 60 images a second')
    parser.add_argument('--elastomer', metavar='FILE', type=Path, required=True,
                        help='elastomer file of the mounted elastomer')
    parser.add_argument('--out', metavar='CAL.yaml', type=Path, required=True,
                        help='calibration file to write; a report is put beside it as .html')
    parser.add_argument('--wrench-topic', metavar='TOPIC',
                        help='WrenchStamped of the reference sensor, on the fingertip in its '
                             'frame; not needed when the bag has one such topic')
    parser.add_argument('--contact-topic', metavar='TOPIC',
                        help='PointStamped of a reference contact point; not needed when the bag '
                             'has one such topic')
    parser.add_argument('--indentations', metavar='CSV', type=Path,
                        help='table start_s,end_s,shape,radius_mm of when something is pressed '
                             'into the skin; seconds from the first image; depth is calibrated '
                             'with the ones of shape sphere')
    parser.add_argument('--image-topic', metavar='TOPIC',
                        help='image topic; not needed when the bag has one')
    parser.add_argument('--mm-per-px', metavar='X', type=_scale,
                        help='image scale; without it, it is measured')
    parser.add_argument('--serial', default='unknown', help='serial number of the fingertip')
    parser.add_argument('--force', action='store_true',
                        help='replace an existing file; the old one is kept as .bak')
    parser.set_defaults(run=run)


def run(args):
    """Calibrate and write the file; 0 when it is written."""
    from tactile_nodes.calibration.calibrate import calibrate
    from tactile_nodes.calibration.indentations import read_indentations
    from tactile_nodes.cli.calibrate_page import calibration_page
    from tactile_nodes.errors import FileError
    from tactile_nodes.files.calibration import check_new, write_calibration
    from tactile_nodes.files.durable import write_durably
    from tactile_nodes.files.elastomer import read_elastomer

    report = args.out.with_suffix('.html')
    if args.out == report or not args.out.parent.is_dir() or report.is_dir():
        raise FileError('cannot be written', where=str(args.out),
                        expected='a name such as CAL.yaml, in a folder that is there; the report '
                                 f'goes beside it, to {report.name}')
    if not args.force:
        check_new(args.out)
    elastomer = read_elastomer(args.elastomer)
    indentations = read_indentations(args.indentations) if args.indentations else ()
    recording, dropped = _recording(args, tuple(indentations))
    progress = _Stages()
    outcome = calibrate(recording, elastomer, serial=args.serial, progress=progress,
                        metres_per_px=args.mm_per_px * 1e-3 if args.mm_per_px else None)
    progress.end()
    write_calibration(args.out, outcome.calibration, overwrite=args.force)
    for part in outcome.parts:
        print(f'{part.name:<9} {"" if part.done else "NOT CALIBRATED: "}{part.result}')
        for note in part.notes:
            print(f'{"":<9} caution: {note}')
        if part.advice:
            print(f'{"":<9} next: {part.advice}')
    if dropped:
        print('images    left out: ' + ', '.join(
            f'{count} {what}' for what, count in sorted(dropped.items())))
    write_durably(report, calibration_page(outcome, recording))
    print(f'written   {args.out}, report {report}')
    return 0


def _recording(args, indentations):
    """The Recording, and the Counter of images that were left out in the last pass."""
    import numpy as np

    from tactile_nodes.calibration.session import Recording
    from tactile_nodes.device.bags import is_bag, stamp_of
    from tactile_nodes.errors import FileError
    from tactile_nodes.trials import offline
    from tactile_nodes.trials.bag import read_messages, topics_of
    from tactile_nodes.trials.run import six

    if not args.recording.exists():
        raise FileError('no such recording', where=str(args.recording), fix='Check the path.')
    kinds = topics_of(args.recording) if is_bag(args.recording) else {}
    wrench = _topic(args.recording, kinds, _WRENCH, args.wrench_topic, '--wrench-topic')
    point = _topic(args.recording, kinds, _POINT, args.contact_topic, '--contact-topic')
    rows = {wrench: [], point: []}
    for topic, log_ns, message in read_messages(args.recording, [t for t in rows if t]) \
            if wrench or point else ():
        values = six(message) if topic == wrench else (message.point.x, message.point.y)
        rows[topic].append((stamp_of(message, log_ns), values))
    arrays = {}
    for topic, name in ((wrench, 'wrench'), (point, 'contact')):
        if topic and rows[topic]:
            arrays[f'{name}_ns'] = np.array([stamp for stamp, _ in rows[topic]])
            arrays[name] = np.array([values for _, values in rows[topic]])
    source = offline.Recording(args.recording, args.image_topic)

    def images():
        return ((frame.stamp_ns, frame.image) for frame in source.frames())

    return Recording(args.recording.name, images, indentations=indentations, **arrays), \
        source.dropped


def _topic(path, kinds, kind, wanted, option):
    """The topic asked for, else the only one of its type, else None."""
    from tactile_nodes.errors import FileError

    found = sorted(name for name, its in kinds.items() if its == kind)
    if wanted is not None:
        if wanted not in found:
            raise FileError(f'no such topic of type {kind}', where=str(path), found=wanted,
                            expected='one of ' + ', '.join(found) if found else
                            f'a bag that has one; it has {", ".join(sorted(kinds)) or "none"}')
        return wanted
    if len(found) > 1:
        raise FileError(f'several topics of type {kind}', where=str(path),
                        found=', '.join(found), fix=f'Say which with {option}.')
    return found[0] if found else None


class _Stages:
    """Progress of one stage after the other; where it is not shown in place, a line for each."""

    def __init__(self):
        self._stage = self._progress = None

    def __call__(self, stage, done):
        counting = isinstance(done, int)
        if stage != self._stage:
            self.end()
            self._stage, self._progress = stage, Progress(stage) if counting \
                else Progress(stage, 100, unit='')
            if not sys.stderr.isatty():
                print(f'{stage} ...', file=sys.stderr, flush=True)
        self._progress(done if counting else round(100 * done))

    def end(self):
        """Take the line away."""
        if self._progress is not None:
            self._progress.end()
        self._stage = self._progress = None


def _scale(text):
    value = float(text)
    if not 1e-3 < value < 1:
        raise ValueError(text)
    return value
