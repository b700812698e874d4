# SPDX-License-Identifier: Apache-2.0
"""From what a hand file says about a device to the device."""

import time

from tactile_nodes.errors import DataError


def make_device(spec, *, serial, elastomer_file, width, height, frame_rate, clock=time.time_ns):
    """FingertipDevice, closed.

    Parameters
    ----------
    spec : DeviceSpec
    serial : str
    elastomer_file : path
        Of the mounted elastomer; only a virtual fingertip reads it.
    width, height : int
        Image size, pixels.
    frame_rate : float
        Hz.
    clock : callable
        The time that stamps are in, ns.

    Raises
    ------
    TactileError
        A wrong file or kind.
    """
    # imported here: a USB fingertip starts faster without the renderer and the bag reader
    if spec.kind == 'usb':
        from tactile_nodes.device.usb import UsbDevice
        from tactile_nodes.files.device_profile import read_device_profile

        return UsbDevice(serial, read_device_profile(spec.profile), port=spec.port, width=width,
                         height=height, frame_rate=frame_rate, clock=clock)
    if spec.kind == 'virtual':
        from tactile_nodes.device.virtual import VirtualDevice
        from tactile_nodes.files.elastomer import read_elastomer
        from tactile_nodes.files.scenario import read_scenario

        return VirtualDevice(serial, read_elastomer(elastomer_file),
                             read_scenario(spec.scenario), width=width, height=height,
                             frame_rate=frame_rate, scenario_start=spec.start, clock=clock)
    if spec.kind == 'recording':
        from tactile_nodes.device.recording import RecordingDevice

        return RecordingDevice(spec.recording, topic=spec.topic or None, repeat=spec.repeat,
                               frame_rate=frame_rate, clock=clock)
    raise DataError('unknown device', where='device', found=spec.kind,
                    expected='usb, virtual or recording')
