# SPDX-License-Identifier: Apache-2.0
"""The device contract on the genuine kernel driver: what depends on it."""

import pytest

from tactile_nodes.device.contract import Light
from tactile_nodes.device.usb import UsbDevice
from tests.device import test_contract
from tests.device.in_guest.bench import PROFILE, SIZE, load, plugged
from tests.device.test_contract import (  # noqa: F401
    device,
    test_a_gap_in_the_sequence_is_counted,
    test_frame_rate_is_honoured_by_the_stamps,
    test_lights_are_off_after_open_and_after_close,
    test_no_frame_in_time_is_a_timeout,
    test_sequence_starts_anew_and_rises,
    test_settings_return_what_was_taken,
    test_stamps_are_on_the_clock_given,
    test_stop_ends_a_waiting_read,
)

RATES = (10, 20, 25)            # Hz; the guest's processor has no time for more


@pytest.fixture(scope='module')
def emulated():
    load('uvcvideo', 'vhci-hcd')
    with plugged('EF-0001', rates=RATES) as ((emulated, _),):
        yield emulated


@pytest.fixture
def make(emulated, monkeypatch):
    monkeypatch.setattr(test_contract, 'RATE', RATES[0])
    monkeypatch.setattr(test_contract, 'JITTER', 0.1)

    class Seen(UsbDevice):
        light = property(lambda _: Light(*emulated.leds()))

    return lambda **options: Seen('EF-0001', PROFILE, width=SIZE[0], height=SIZE[1],
                                  frame_rate=RATES[0], **options)
