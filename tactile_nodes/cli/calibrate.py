# SPDX-License-Identifier: Apache-2.0
"""`tactile calibrate`: image scale and shading of a fingertip from a recording of ball presses."""

from datetime import datetime, timezone
from pathlib import Path

from tactile_nodes import __version__


def add_parser(subparsers):
    """Describe the subcommand."""
    parser = subparsers.add_parser(
        'calibrate', help='calibrate a fingertip from a recording',
        description='Measure image scale and shading of a fingertip with its elastomer. Record '
                    'half a second of untouched skin, then press a ball of known radius in at '
                    'many places (about 20, all over the image) and let it rest at each.')
    parser.add_argument('recording', metavar='RECORDING', type=Path,
                        help='bag, or folder of images at 60 images a second')
    parser.add_argument('--elastomer', metavar='FILE', type=Path, required=True,
                        help='elastomer file of the mounted elastomer')
    parser.add_argument('--indentations', metavar='CSV', type=Path, required=True,
                        help='table start_s,end_s,shape,radius_mm of when a ball rests in the '
                             'skin; seconds from the first image; shape is sphere')
    parser.add_argument('--serial', required=True, help='serial number of the fingertip')
    parser.add_argument('--out', metavar='CAL.yaml', type=Path, required=True,
                        help='calibration file to write')
    parser.add_argument('--image-topic', metavar='TOPIC', help='image topic in the bag')
    parser.add_argument('--mm-per-px', metavar='X', type=_scale,
                        help='image scale; without it, it is measured from the markers')
    parser.add_argument('--force', action='store_true',
                        help='replace an existing file; the old one is kept as .bak')
    parser.set_defaults(run=run)


def run(args):
    """Calibrate and write the file; 0 when it is written."""
    from tactile_nodes.calibration.scale import scale_from_markers
    from tactile_nodes.calibration.shading import fit_shading
    from tactile_nodes.calibration.stills import read_indentations, take_stills
    from tactile_nodes.core.force import ForceModel
    from tactile_nodes.core.geometry import ImageGeometry
    from tactile_nodes.files.calibration import Calibration, check_new, write_calibration
    from tactile_nodes.files.elastomer import read_elastomer

    if not args.force:
        check_new(args.out)
    elastomer = read_elastomer(args.elastomer)
    indentations = read_indentations(args.indentations)
    reference, presses = take_stills(_frames(args.recording, args.image_topic), indentations)
    scale = args.mm_per_px * 1e-3 if args.mm_per_px else scale_from_markers(reference, elastomer)
    geometry = ImageGeometry(*reference.mean_q8.shape[:2], scale)
    fit = fit_shading(presses, reference, geometry, elastomer)
    created = datetime.now(timezone.utc).isoformat(timespec='seconds')
    write_calibration(args.out, Calibration(
        serial=args.serial, elastomer=elastomer, created=created,
        software_version=__version__, geometry=geometry, shading=fit.model, force=ForceModel()),
        overwrite=args.force)
    source = 'given' if args.mm_per_px else 'from the markers'
    print(f'scale     {scale * 1e6:.2f} um/px ({source})')
    print(f'shading   {len(fit.circles)} of {len(presses)} imprints, {fit.cells} cells, slopes to '
          f'{fit.steepest:.2f}; gamma {fit.model.gamma:.3f}; {fit.model.residual_sd:.4f} of the '
          'light left over')
    print('force     not calibrated, the elastomer file counts')
    print(f'written   {args.out}')
    return 0


def _frames(recording, topic):
    from tactile_nodes.device.recording import RecordingDevice
    from tactile_nodes.errors import EndOfRecording

    with RecordingDevice(recording, topic=topic, realtime=False) as device:
        device.start()
        try:
            while True:
                yield device.read(timeout=0)
        except EndOfRecording:
            return


def _scale(text):
    value = float(text)
    if not 1e-3 < value < 1:
        raise ValueError(text)
    return value
