# SPDX-License-Identifier: Apache-2.0
"""The hand as it runs, measured from outside: rate, drops, latency, processor time and memory.

Its cameras are recordings, so that rendering does not count; what the recordings cost themselves
(reading and decoding a JPEG, as with a camera that sends such) is measured apart.
"""

import os
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

from tactile_nodes.files.hand import DeviceSpec
from tactile_nodes.hand.plan import plan_hand

_START_WITHIN = 90.0       # s
_SETTLE = 3.0              # s, until caches are warm and discovery is over


def recorded_hand(hand, folder, fingers, rate):
    """The hand with its first fingers fed from a folder of images, again and again.

    Parameters
    ----------
    hand : Hand
    folder : path
        Of images.
    fingers : int
        How many.
    rate : float
        Frames per second.

    Returns
    -------
    Hand
    """
    device = DeviceSpec('recording', recording=Path(folder), repeat=True)
    return replace(hand, fingers=tuple(
        replace(finger, device=device, frame_rate=rate, exposure=min(finger.exposure, 1 / rate))
        for finger in hand.fingers[:fingers]))


def measure(hand, seconds, layout='composed'):
    """Run a hand with one listener to its wrenches and nobody watching images.

    Parameters
    ----------
    hand : Hand
    seconds : float
        How long to measure.
    layout : str
        As of `plan_hand`.

    Returns
    -------
    dict
        `rate_hz` (mean of the fingers), `dropped` (share of the frames due), `latency_ms`
        (`p50`, `p99`, `p99.9`, exposure to arrival), `cores` (processor seconds per second of all
        processes of the hand), `memory_mb` (resident, mean of its processes).
    """
    from tactile_nodes.hand.supervisor import Supervisor
    from tactile_nodes.nodes.monitor import HandMonitor

    plan = plan_hand(hand, layout=layout)
    with HandMonitor(plan.namespace, plan.fingers) as monitor, Supervisor(plan) as supervisor:
        _wait(supervisor, monitor)
        _poll(supervisor, _SETTLE)
        processes = list(supervisor.running.values())
        start, busy = time.time_ns(), sum(map(_processor_seconds, processes))
        _poll(supervisor, seconds)
        busy = sum(map(_processor_seconds, processes)) - busy
        memory = float(np.mean([_resident_mb(process) for process in processes]))
        end = time.time_ns()
        arrivals = [watch.since(start) for watch in monitor.fingers.values()]
    span = (end - start) * 1e-9
    latency = np.concatenate([(a[:, 0] - a[:, 1]) / 1e6 for a in arrivals])
    due = sum(finger.frame_rate for finger in hand.fingers) * span
    return {'rate_hz': round(len(latency) / span / len(arrivals), 2),
            'dropped': round(max(0.0, 1 - len(latency) / due), 4),
            'latency_ms': {f'p{p:g}': round(float(np.percentile(latency, p)), 2)
                           for p in (50, 99, 99.9)},
            'cores': round(busy / span, 3), 'memory_mb': round(memory, 1)}


def _wait(supervisor, monitor):
    """Wait until every finger delivers."""
    deadline = time.monotonic() + _START_WITHIN
    while not all(watch.arrivals for watch in monitor.fingers.values()):
        if time.monotonic() > deadline:
            silent = [name for name, watch in monitor.fingers.items() if not watch.arrivals]
            raise TimeoutError(f'no wrench from {", ".join(silent)} in {_START_WITHIN:g} s')
        supervisor.poll(0.1)


def _poll(supervisor, seconds):
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        supervisor.poll(min(0.1, max(0.0, end - time.monotonic())))


def _processor_seconds(process):
    """User and system time of a process so far, s; see proc(5)."""
    fields = Path(f'/proc/{process}/stat').read_text().rpartition(')')[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf('SC_CLK_TCK')


def _resident_mb(process):
    pages = int(Path(f'/proc/{process}/statm').read_text().split()[1])
    return pages * os.sysconf('SC_PAGE_SIZE') / 1e6
