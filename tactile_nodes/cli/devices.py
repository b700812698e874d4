# SPDX-License-Identifier: Apache-2.0
"""`tactile devices`: which fingertips are attached over USB, and whether they can be used."""

import json
import os
from pathlib import Path

from tactile_nodes.errors import DeviceError


def add_parser(subparsers):
    """Describe the subcommand."""
    parser = subparsers.add_parser(
        'devices', help='list the attached USB fingertips',
        description='List the USB cameras that are attached: serial number, device profile, port, '
                    'video node, speed, bus, formats, and whether you may open them.')
    parser.add_argument('--json', action='store_true', help='as JSON, for scripts')
    parser.add_argument('--udev', action='store_true',
                        help='print udev rules that give permission, for /etc/udev/rules.d')
    parser.add_argument('--profiles', metavar='DIR', type=Path,
                        help='folder of device profiles (default: the shipped ones)')
    parser.set_defaults(run=run)


def run(args):
    """Print the table, the JSON or the rules; always 0."""
    from tactile_nodes.device.usb_discovery import attached_cameras, udev_rule
    from tactile_nodes.hand.resources import shipped

    cameras = attached_cameras()
    if args.udev:
        print('\n'.join(dict.fromkeys(udev_rule(camera) for camera in cameras)))
        return 0
    found = [describe(camera, args.profiles or shipped('config/devices')) for camera in cameras]
    if args.json:
        print(json.dumps(found, indent=2))
    else:
        _print_table(found)
    for camera, row in zip(cameras, found, strict=True):
        if not row['may_open'] and not args.json:
            print(f'\n{row["problem"]}\nThis udev rule gives permission (then replug):\n'
                  f'{udev_rule(camera)}')
    return 0


def describe(camera, profiles):
    """What there is to know about a camera, as plain values.

    Parameters
    ----------
    camera : AttachedCamera
    profiles : Path
        Folder of device profiles.

    Returns
    -------
    dict
    """
    from tactile_nodes.device.usb_bandwidth import streaming_transport
    from tactile_nodes.device.v4l2 import VideoNode
    from tactile_nodes.files.device_profile import find_profile

    modes, transport, problem = [], None, ''
    try:
        node = VideoNode(camera.node)
        try:
            modes = node.modes()
        finally:
            node.close()
        transport = streaming_transport(camera.descriptors())
    except (DeviceError, OSError) as error:         # OSError: unplugged at this moment
        problem = str(error)
    profile = find_profile(camera, profiles)
    if profile and profile.leds.way == 'vendor_request' \
            and not os.access(camera.usbfs, os.W_OK, effective_ids=True):
        problem = problem or f'{camera.usbfs}: no permission to write, which its LEDs need'
    return {
        'serial': camera.serial, 'profile': profile.name if profile else '',
        'port': camera.port, 'node': camera.node,
        'usb_id': f'{camera.vendor_id:04x}:{camera.product_id:04x}', 'product': camera.product,
        'speed_mbit_s': camera.speed, 'bus': camera.bus, 'controller': camera.controller,
        'transfer': {None: '', True: 'isochronous', False: 'bulk'}[
            transport and transport.isochronous],
        'modes': [{'format': m.format, 'width': m.width_px, 'height': m.height_px,
                   'rates': list(m.rates)} for m in modes],
        'may_open': not problem, 'problem': problem}


def _print_table(found):
    from rich.console import Console
    from rich.table import Table

    if not found:
        print('no USB camera is attached')
        return
    table = Table()
    for column in ('serial', 'profile', 'port', 'node', 'bus', 'images', 'open'):
        table.add_column(column, overflow='fold')
    for row in found:
        sizes = {}                      # by format and rates
        for mode in row['modes']:
            rates = ', '.join(f'{rate:g}' for rate in mode['rates'])
            sizes.setdefault((mode['format'], rates), []).append(
                f'{mode["width"]}x{mode["height"]}')
        images = '\n'.join(f'{name} {", ".join(listed)}\n at {rates}'
                           for (name, rates), listed in sizes.items())
        table.add_row(row['serial'] or '(none)', row['profile'] or f'none for {row["usb_id"]}',
                      row['port'], row['node'],
                      f'{row["bus"]}, {row["controller"]}\n{row["speed_mbit_s"]:g} Mbit/s', images,
                      'yes' if row['may_open'] else 'no')
    Console().print(table)
