# SPDX-License-Identifier: Apache-2.0
import dataclasses

import pytest

from tactile_nodes.device.usb_bandwidth import (
    PERIODIC_BUDGET_US,
    Other,
    Stream,
    Transport,
    isochronous_us,
    plan,
    streaming_transport,
    used_us,
)
from tests.device.emulated import descriptors

RATES = (10.0, 15.0, 30.0, 60.0, 90.0, 120.0)
ISO = Transport(True, tuple(sorted(descriptors.ISO_SIZES)))
BULK = Transport(False, ())


def stream(finger='thumb', **changes):
    whole = Stream(finger, 1, ISO, 'YUYV', 320, 240, 30.0, {'YUYV': RATES})
    return dataclasses.replace(whole, **changes)


# USB 2.0 specification, table 5-5, high-speed isochronous transaction limits (numbers from
# memory): payload, transfers that fit into a microframe of 125 us, bytes that then remain. It
# leaves out what 5.11.3 adds: bit stuffing, 3 bits and a sixth of the payload's, and the host's
# delay, 5 ns.
SPECIFICATION = [(1, 192, 12), (2, 187, 20), (4, 178, 24), (8, 163, 2), (16, 138, 48),
                 (32, 107, 10), (64, 73, 54), (128, 45, 30), (256, 25, 150), (512, 13, 350),
                 (1024, 7, 66), (2048, 3, 1242), (3072, 2, 1280)]


@pytest.mark.parametrize(('size', 'transfers', 'remaining'), SPECIFICATION)
def test_transfers_per_microframe_of_the_specification(size, transfers, remaining):
    bit = 0.125 / 60                                       # us at 480 Mbit/s
    plain = isochronous_us(size) - bit * (3 + 8 * size // 6) - 0.005
    fitting = int(125 / plain)
    assert fitting == transfers
    assert (125 - fitting * plain) / (8 * bit) == pytest.approx(remaining, abs=1.5)


def test_periodic_transfers_may_take_four_fifths_of_a_microframe():
    """USB 2.0 specification, 5.6.4 and 5.7.4; a little more, and the bus does not take it."""
    assert pytest.approx(0.8 * 125) == PERIODIC_BUDGET_US
    mine = [stream(rate=90.0)]                             # 41 us
    assert not plan(mine, [Other('b', 1, 59.0)])
    assert plan(mine, [Other('b', 1, 60.0)])


def test_times_of_the_kernels_formula():
    """HS_NSECS_ISO of include/linux/usb/hcd.h, worked by hand, rounded up to whole us."""
    expected = {512: 11, 800: 17, 944: 19, 1024: 21, 2048: 41, 3072: 61}
    assert {size: -int(-isochronous_us(size) // 1) for size in expected} == expected


def test_two_of_the_largest_streams_do_not_fit():
    """Two 3072-byte streams are refused on EHCI: 122 us of 100 (kernel commit cc62a7eb6396)."""
    large = [stream(name, rate=120.0) for name in ('thumb', 'index')]
    assert [s.packet_size for s in large] == [3072, 3072]
    assert used_us(large)[1] > PERIODIC_BUDGET_US
    advice, = plan(large)
    assert advice.startswith('bus 1: thumb YUYV 320x240 at 120/s takes 61 us, index YUYV 320x240 '
                             'at 120/s takes 61 us; together 122 us of 100 us a microframe. '
                             'Move index')
    assert not plan([large[0], dataclasses.replace(large[1], bus=2)])


def test_advice_names_the_highest_rate_that_all_cameras_list_and_that_fits():
    two = [stream(name, rate=120.0) for name in ('thumb', 'index')]
    assert 'or run them at 90 frames/s' in plan(two)[0]         # 2048 bytes, 41 us each
    assert not plan([stream(name, rate=90.0) for name in 'ab'])
    few = [dataclasses.replace(s, rates={'YUYV': (7.5, 25.0, 120.0)}) for s in two]
    assert 'or run them at 25 frames/s' in plan(few)[0]
    mixed = [two[0], dataclasses.replace(two[1], rates={'YUYV': (7.5, 15.0, 120.0)})]
    assert 'or run them at 15 frames/s' in plan(mixed)[0]
    assert 'frames/s or' not in plan(mixed)[0]
    unlisted = [dataclasses.replace(s, rates={}) for s in two]
    assert 'run them' not in plan(unlisted)[0] and 'choose a smaller image' in plan(unlisted)[0]
    slow = [*two, stream('ring', rate=10.0, rates={'YUYV': (5.0, 10.0)})]      # keeps its rate
    assert 'or run them at 90 frames/s' in plan(slow)[0]


def test_advice_names_a_format_that_fits():
    """The packets of a compressed stream are as large at any rate."""
    compressed = [stream(name, format='MJPG', rates={'MJPG': RATES, 'YUYV': (5.0, 15.0, 30.0)})
                  for name in 'abc']
    advice, = plan(compressed)
    assert 'Move b, c' in advice and 'run them' not in advice
    assert 'name YUYV first in the device profile and run at 30 frames/s' in advice
    assert not plan([stream(name, rate=30.0) for name in 'abc'])
    advice, = plan([stream(name, format='MJPG', rates={'MJPG': RATES}) for name in 'ab'])
    assert 'YUYV' not in advice and 'choose a smaller image' in advice


def test_advice_names_the_host_controller_that_has_room():
    large = [stream(name, rate=120.0) for name in 'abc']
    near = stream('d', bus=2, rate=120.0)
    assert 'Move b, c to a port of another host controller (this computer has none with room)' \
        in plan([*large, near], controllers={1: 'A', 2: 'B'})[0]
    assert 'controller (C, bus 3, has room for b; none has for c)' \
        in plan([*large, near], controllers={1: 'A', 2: 'B', 3: 'C'})[0]
    assert 'controller (C, bus 3, has room for b; D, bus 4, has room for c)' \
        in plan([*large, near], controllers={1: 'A', 2: 'B', 3: 'C', 4: 'D'})[0]
    small = [*large[:1], *(stream(name, rate=30.0) for name in 'xyz')]
    assert '(B, bus 2, has room for a)' in plan(small, controllers={1: 'A', 2: 'B'})[0]


def test_what_others_stream_counts():
    other = Other('camera X on port 1-4 streams', 1, 61.0)
    mine = stream('thumb', rate=90.0)
    elsewhere = dataclasses.replace(other, bus=2)
    assert not plan([mine]) and not plan([mine], [elsewhere, elsewhere])
    advice, = plan([mine], [other])
    assert 'takes 41 us, camera X on port 1-4 streams, takes 61 us; together 102 us' in advice
    assert 'Move thumb' in advice and 'or run it at 60 frames/s' in advice
    assert 'none with room' in plan([mine], [other, elsewhere], {1: 'A', 2: 'B'})[0]


def test_only_high_speed_is_reckoned():
    """A SuperSpeed bus has other packets and another arithmetic."""
    fast = stream(width_px=640, height_px=480, rate=30.0, speed=5000.0)
    assert fast.time_us == 0 and not plan([fast] * 9)
    assert str(fast) == 'thumb YUYV 640x480 at 30/s is not reckoned at 5000 Mbit/s'
    assert str(stream(transport=BULK)) == 'thumb YUYV 320x240 at 30/s takes what is left (bulk)'


def test_a_stream_that_no_setting_of_the_camera_carries():
    advice, = plan([stream(width_px=640, height_px=480, rate=60.0)])
    assert 'at 60/s takes more than the camera can send' in advice and 'inf' not in advice
    assert advice.endswith('send. Run it at 30 frames/s.')


def test_five_fingers_raw_fit_only_slowly():
    five = [stream(str(i)) for i in range(5)]
    assert five[0].bytes_needed == 588            # 320 x 240 x 2 x 30 / 8000, and a header of 12
    assert five[0].packet_size == 800 and not plan(five)
    assert plan([stream(str(i), rate=60.0) for i in range(5)])


def test_bulk_reserves_nothing_and_compressed_takes_what_the_camera_asks():
    assert stream(transport=BULK, rate=500.0).time_us == 0
    assert stream(format='MJPG').packet_size == 3072
    assert stream(format='MJPG', reserved=800).time_us == 17           # as it was seen to do
    assert stream(width_px=640, height_px=480, rate=60.0).packet_size is None
    assert plan([stream(width_px=640, height_px=480, rate=60.0)])


def test_reads_transport_from_descriptors():
    raw = descriptors.device()
    assert streaming_transport(raw + descriptors.configuration(bulk=True)) == BULK
    assert streaming_transport(raw + descriptors.configuration(bulk=False)) == ISO
    assert streaming_transport(raw) is None


def test_damaged_descriptors_do_no_harm():
    raw = descriptors.device() + descriptors.configuration(bulk=False)
    for cut in range(len(raw)):
        streaming_transport(raw[:cut])
    assert streaming_transport(b'\0' * 40) is None
    assert streaming_transport(raw[:18] + b'\0' + raw[19:]) is None
