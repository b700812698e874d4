# SPDX-License-Identifier: Apache-2.0
import dataclasses
import re

import pytest

from tactile_nodes.device.usb_bandwidth import (
    PERIODIC_BUDGET_US,
    Stream,
    Transport,
    isochronous_us,
    plan,
    streaming_transport,
    used_us,
)
from tests.device.emulated import descriptors

ISO = Transport(True, tuple(sorted(descriptors.ISO_SIZES)))
BULK = Transport(False, ())


def stream(finger='thumb', **changes):
    whole = Stream(finger, 1, ISO, 'YUYV', 320, 240, 30.0)
    return dataclasses.replace(whole, **changes)


# USB 2.0 specification, table 5-5, high-speed isochronous transaction limits (numbers from
# memory): payload, transfers that fit into a microframe, bytes that then remain. It knows neither
# bit stuffing nor the limit of 80 % for periodic transfers.
SPECIFICATION = [(1, 192, 12), (2, 187, 20), (4, 178, 24), (8, 163, 2), (16, 138, 48),
                 (32, 107, 10), (64, 73, 54), (128, 45, 30), (256, 25, 150), (512, 13, 350),
                 (1024, 7, 66), (2048, 3, 1242), (3072, 2, 1280)]


@pytest.mark.parametrize(('size', 'transfers', 'remaining'), SPECIFICATION)
def test_transfers_per_microframe_of_the_specification(size, transfers, remaining):
    # a microframe has 7500 byte times of 1/60 us, a transfer 38 bytes of overhead
    assert divmod(7500, size + 38) == (transfers, remaining)
    # ours lies between the table's time and 7/6 of it (worst-case bit stuffing), but for the
    # host's 5 ns and the rounding to bits
    table = (size + 38) / 60
    assert table < isochronous_us(size) < 7 / 6 * table + 0.02


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
    assert 'bus 1' in advice and 'Move index' in advice and 'at ' in advice
    rate = float(advice.split('at ')[-1].split()[0])
    slower = [stream(name, rate=rate) for name in ('thumb', 'index')]
    faster = [stream(name, rate=rate + 1) for name in ('thumb', 'index')]
    assert not plan(slower) and plan(faster)
    assert not plan([large[0], dataclasses.replace(large[1], bus=2)])


def test_advice_names_a_format_that_fits():
    """The packets of a compressed stream are as large at any rate."""
    compressed = [stream(name, format='MJPG', formats=('MJPG', 'YUYV')) for name in 'abc']
    advice, = plan(compressed)
    assert 'Move b, c' in advice and 'run all of these' not in advice
    rate = float(re.search(r'name YUYV first in the device profile and run at (\S+)', advice)[1])
    assert not plan([stream(name, rate=rate) for name in 'abc'])
    advice, = plan([stream(name, format='MJPG', formats=('MJPG',)) for name in 'ab'])
    assert 'YUYV' not in advice and 'choose a smaller image' in advice


def test_five_fingers_raw_fit_only_slowly():
    five = [stream(str(i)) for i in range(5)]
    assert five[0].bytes_needed == 588            # 320 x 240 x 2 x 30 / 8000, and a header of 12
    assert five[0].packet_size == 800 and not plan(five)
    assert plan([stream(str(i), rate=60.0) for i in range(5)])


def test_bulk_reserves_nothing_and_compressed_takes_what_the_camera_asks():
    assert stream(transport=BULK, rate=500.0).time_us == 0
    assert stream(format='MJPG').packet_size == 3072
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
