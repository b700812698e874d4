# SPDX-License-Identifier: Apache-2.0
"""`tactile check`: before a session, is every finger there, right, lit and able to stream."""

import sys
from dataclasses import dataclass, replace
from pathlib import Path

from tactile_nodes.errors import TactileError

_FRAMES = 8              # looked at per finger, after as many for the light to settle
_SETTLING = 5            # frames until another light has come through all buffers
_READ_TIMEOUT = 2.0      # s
_MIN_RATE = 0.9          # of the rate asked for


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
                    'files that match, image format and rate, USB bandwidth, exposure, darkness '
                    'without LEDs and the light of each. One finger after the other is lit so '
                    'that you can confirm which it is. '
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
    """Check one finger after the other, then the bus, then all fingers at the same time.

    Parameters
    ----------
    hand : Hand
    ask : callable or None
        Called with a question while a finger is lit; says whether the person confirms, None
        for no answer.

    Yields
    ------
    Finding
    """
    devices, streams = {}, []
    try:
        for finger in hand.fingers:
            yield from _check_finger(hand, finger, ask, devices, streams)
        yield from _check_bandwidth(streams)
        yield from _check_together(devices)
    finally:
        for device in devices.values():
            device.close()


def _check_finger(hand, finger, ask, devices, streams):
    """Findings of one finger; its device stays open, its LEDs off."""
    from tactile_nodes.device.contract import OFF
    from tactile_nodes.device.factory import make_device

    device = make_device(finger.device, serial=finger.serial,
                         elastomer_file=finger.elastomer_file, width=hand.width,
                         height=hand.height, frame_rate=finger.frame_rate)
    try:
        device.open()
    except TactileError as error:
        yield Finding(finger.name, 'device', False, str(error))
        return
    devices[finger.name] = device
    yield Finding(finger.name, 'device', True, device.info.description)
    if finger.device.kind == 'usb':
        streams.append(_stream(finger, device))
    try:
        yield from _check_images(finger, device)
        if finger.device.kind == 'usb':        # it streams
            streams[-1] = replace(streams[-1], reserved=device.camera.reserved_bytes())
        if ask is not None and device.info.has_light:
            yield from _check_place(finger, ask)
        device.stop()
        if device.info.has_light:
            device.set_light(OFF)
    except TactileError as error:
        yield Finding(finger.name, 'images', False, str(error))
    if finger.device.kind == 'usb':
        yield from (Finding(finger.name, 'settings', False, f'{name}: {note}; write what the '
                            'camera takes into the hand file or the device profile')
                    for name, note in device.notes.items())


def _check_place(finger, ask):
    answer = ask(f'Is it {finger.name} ({finger.serial}) whose LEDs are lit?')
    if answer is None:
        yield Finding(finger.name, 'place', False, 'nobody has confirmed it: answer y or n, or '
                      'say --no-lights')
    elif not answer:
        yield Finding(finger.name, 'place', False, f'{finger.serial} is not on {finger.name}: '
                      'exchange the serial numbers in the hand file (the ports, where all '
                      'cameras have the same number or none)')


def _check_images(finger, device):
    from tactile_nodes.device.contract import Light
    from tactile_nodes.nodes.camera_health import judge_image
    from tactile_nodes.nodes.settings import CameraSettings

    settings = CameraSettings(finger.frame_rate, finger.exposure, finger.gain,
                              Light(**finger.leds))
    settings.check(device.info, settings)
    settings.apply(device)
    device.start()
    frames, rate = _look(device)
    problem, values = judge_image(frames[-1].image)
    problem = problem or _too_slow(rate, finger.frame_rate)
    yield Finding(finger.name, 'images', not problem, problem or
                  f'{rate:.1f} frames/s, mean level {values["mean level"]}')
    if not problem and device.info.has_light:
        yield from _check_lights(finger, device)


def _check_lights(finger, device):
    """With the LEDs off it must be dark, and each channel alone must show; then lit as before."""
    from tactile_nodes.device.contract import OFF, Light
    from tactile_nodes.nodes.camera_health import judge_channels, judge_darkness

    def image(light):
        device.set_light(light)
        return [device.read(_READ_TIMEOUT) for _ in range(_SETTLING)][-1].image

    dark = image(OFF)
    # a channel without light is a fault only where depth is seen in the colours
    alone = {channel: (level, image(replace(OFF, **{channel: level})))
             for channel, level in finger.leds.items()
             if level or finger.elastomer.kind.has_shading}
    device.set_light(Light(**finger.leds))
    judged = {'darkness': judge_darkness(dark), 'LEDs': judge_channels(dark, alone)}
    if not finger.elastomer.kind.has_shading:       # a clear skin lets the light of the room in
        del judged['darkness']
    for concern, (problem, seen) in judged.items():
        yield Finding(finger.name, concern, not problem, problem or seen)


def _look(device):
    """The last frames of some, and their rate in Hz by their stamps."""
    frames = [device.read(_READ_TIMEOUT) for _ in range(2 * _FRAMES)][-_FRAMES:]
    seconds = (frames[-1].stamp_ns - frames[0].stamp_ns) * 1e-9
    return frames, (frames[-1].sequence - frames[0].sequence) / max(seconds, 1e-9)


def _too_slow(rate, wanted):
    if rate >= _MIN_RATE * wanted:
        return ''
    return (f'{rate:.1f} instead of {wanted:g} frames/s: choose a rate that the camera lists '
            '(`tactile devices`), and an exposure that is shorter than its period')


def _check_together(devices):
    """Whether the kernel lets all of them stream at once, whatever was reckoned."""
    if len(devices) < 2:
        return
    ok = True
    for name, device in devices.items():
        try:
            device.start()
        except TactileError as error:
            ok = False
            yield Finding(name, 'all together', False, str(error))
    rates = {}
    for name, device in devices.items():
        try:
            rates[name] = _look(device)[1]
        except TactileError as error:
            if ok:                      # else it has not been started
                yield Finding(name, 'all together', False, str(error))
    if ok and len(rates) == len(devices):
        yield Finding('hand', 'all together', True, ', '.join(
            f'{name} {rate:.1f}' for name, rate in rates.items()) + ' frames/s')


def _stream(finger, device):
    from tactile_nodes.device.usb_bandwidth import Stream, streaming_transport

    camera = device.camera
    return Stream(finger.name, camera.bus, streaming_transport(camera.descriptors()),
                  device.format, device.info.width_px, device.info.height_px,
                  device.set_frame_rate(finger.frame_rate), device.rates, camera.speed,
                  camera.port)


def _check_bandwidth(streams):
    """Findings by bus: whether it fits by reckoning, with what others stream there."""
    from tactile_nodes.device.usb_bandwidth import PERIODIC_BUDGET_US, bus_use, plan, used_us
    from tactile_nodes.device.usb_discovery import host_controllers
    from tactile_nodes.device.usb_streams import running_streams

    controllers, ports = host_controllers(), {stream.port for stream in streams}
    others = [other for bus in {*controllers, *(stream.bus for stream in streams)}
              for other in running_streams(bus) if other.port not in ports]
    for advice in plan(streams, others, controllers):
        yield Finding('hand', 'USB bandwidth', False, advice)
    used = used_us([*streams, *others])
    for bus in sorted({stream.bus for stream in streams}):
        if used[bus] <= PERIODIC_BUDGET_US:
            yield Finding('hand', 'USB bandwidth', True, bus_use(bus, [*streams, *others]))


def _ask(question):
    try:
        return input(f'{question} [Y/n] ').strip().lower() in ('', 'y', 'yes')
    except EOFError:                    # Ctrl-D
        print()
        return None
