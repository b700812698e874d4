# SPDX-License-Identifier: Apache-2.0
"""`tactile check`: before a session, is every finger there, right, lit and able to stream."""

import sys
from dataclasses import dataclass
from pathlib import Path

from tactile_nodes.errors import TactileError

_FRAMES = 8              # looked at per finger, after as many for the light to settle
_READ_TIMEOUT = 2.0      # s


@dataclass(frozen=True)
class Finding:
    """Outcome of one check; `text` says what was seen, or what is wrong and what to do."""

    finger: str
    concern: str
    ok: bool
    text: str


def add_parser(subparsers):
    """Describe the subcommand."""
    parser = subparsers.add_parser(
        'check', help='check a hand before a session',
        description='Check every finger of a hand: attached once with the right serial number, '
                    'files that match, image format and rate, USB bandwidth, exposure. One '
                    'finger after the other is lit so that you can confirm which it is. '
                    'Exit code 0: all well; 1: something to do; 2: the hand file is wrong.')
    parser.add_argument('hand', metavar='HAND.yaml', type=Path, help='hand file')
    parser.add_argument('--no-lights', action='store_true',
                        help='do not ask which finger is lit (nor when there is no terminal)')
    parser.set_defaults(run=run)


def run(args):
    """Check and print; 0 when all is well, else 1."""
    from tactile_nodes.files.hand import read_hand

    hand = read_hand(args.hand)
    print(f'{args.hand}: {len(hand.fingers)} fingers, elastomer and calibration files match')
    ask = None if args.no_lights or not sys.stdin.isatty() else _ask
    failed = 0
    for finding in check_hand(hand, ask):
        failed += not finding.ok
        print(f'{"ok  " if finding.ok else "FAIL"} {finding.finger}: {finding.concern}: '
              f'{finding.text}', flush=True)
    print('all well' if not failed else f'{failed} to mend')
    return 1 if failed else 0


def check_hand(hand, ask=None):
    """Check one thing after the other.

    Parameters
    ----------
    hand : Hand
    ask : callable or None
        Called with a question while a finger is lit; says whether the person confirms.

    Yields
    ------
    Finding
    """
    streams = []
    for finger in hand.fingers:
        yield from _check_finger(hand, finger, ask, streams)
    yield from _check_bandwidth(streams)


def _check_finger(hand, finger, ask, streams):
    from tactile_nodes.device.factory import make_device

    device = make_device(finger.device, serial=finger.serial,
                         elastomer_file=finger.elastomer_file, width=hand.width,
                         height=hand.height, frame_rate=finger.frame_rate)
    try:
        device.open()
    except TactileError as error:
        yield Finding(finger.name, 'device', False, str(error))
        return
    try:
        yield Finding(finger.name, 'device', True, device.info.description)
        if finger.device.kind == 'usb':
            streams.append(_stream(finger, device))
            yield from (Finding(finger.name, 'settings', False, note) for note in device.notes)
        yield from _check_images(finger, device, ask)
    except TactileError as error:
        yield Finding(finger.name, 'images', False, str(error))
    finally:
        device.close()


def _check_images(finger, device, ask):
    from tactile_nodes.device.contract import OFF, Light
    from tactile_nodes.nodes.camera_health import judge_image

    info = device.info
    if info.exposure_range is not None:
        device.set_exposure(finger.exposure)
    if info.gain_range is not None:
        device.set_gain(finger.gain)
    if info.has_light:
        device.set_light(Light(**finger.leds))
    device.start()
    frames = [device.read(_READ_TIMEOUT) for _ in range(2 * _FRAMES)][-_FRAMES:]
    seconds = (frames[-1].stamp_ns - frames[0].stamp_ns) * 1e-9
    rate = (frames[-1].sequence - frames[0].sequence) / max(seconds, 1e-9)
    problem, values = judge_image(frames[-1].image)
    yield Finding(finger.name, 'images', not problem, problem or
                  f'{rate:.1f} frames/s, mean level {values["mean level"]}')
    if ask is not None and info.has_light:
        if not ask(f'Is it {finger.name} ({finger.serial}) whose LEDs are lit?'):
            yield Finding(finger.name, 'place', False, f'{finger.serial} is not on {finger.name}: '
                          'exchange the serial numbers in the hand file')
        device.set_light(OFF)


def _stream(finger, device):
    from tactile_nodes.device.usb_bandwidth import Stream, streaming_transport

    return Stream(finger.name, device.camera.bus,
                  streaming_transport(device.camera.descriptors()), device.format,
                  device.info.width_px, device.info.height_px, finger.frame_rate)


def _check_bandwidth(streams):
    from tactile_nodes.device.usb_bandwidth import PERIODIC_BUDGET_US, plan, used_us

    for advice in plan(streams):
        yield Finding('hand', 'USB bandwidth', False, advice)
    for bus, used in sorted(used_us(streams).items()):
        if used <= PERIODIC_BUDGET_US:
            yield Finding('hand', 'USB bandwidth', True, f'bus {bus}: {used:.0f} us of '
                          f'{PERIODIC_BUDGET_US:.0f} us per microframe reserved')


def _ask(question):
    return input(f'{question} [Y/n] ').strip().lower() in ('', 'y', 'yes')
