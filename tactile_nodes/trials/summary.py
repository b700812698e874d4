# SPDX-License-Identifier: Apache-2.0
"""The numbers of a run: rate, drops, latency and error of every finger."""

import json
from datetime import datetime, timezone

import numpy as np

from tactile_nodes import __version__


def summarise(arrivals, span, frame_rate, run):
    """Numbers of one finger.

    Parameters
    ----------
    arrivals : (N, 2) int64
        When each wrench came and when its frame was exposed, ns, in order of arrival.
    span : (int, int)
        Beginning and end of the measurement, ns.
    frame_rate : float
        What the finger was asked for, Hz.
    run : FingerRun
        Of the same span.

    Returns
    -------
    dict
        `frames` (wrenches that came), `rate_hz` (over the whole span), `dropped` (frame periods
        without a wrench between the first and the last, which a gap of the stamps tells),
        `latency_ms` (`p50`, `p99` from the middle of the exposure to the wrench's arrival in
        another process; None without wrenches), `wrench_rmse` (by axis, N and N*m, all frames)
        and `wrench_rmse_in_contact` (frames in which something touches).
    """
    latency = (arrivals[:, 0] - arrivals[:, 1]) / 1e6
    gaps = np.diff(np.sort(arrivals[:, 1])) * 1e-9 * frame_rate
    return {
        'frames': len(arrivals),
        'rate_hz': round(len(arrivals) / ((span[1] - span[0]) * 1e-9), 2),
        'dropped': int(np.maximum(np.rint(gaps) - 1, 0).sum()),
        'latency_ms': {f'p{p}': round(float(np.percentile(latency, p)), 2) if len(latency)
                       else None for p in (50, 99)},
        'wrench_rmse': run.rmse(),
        'wrench_rmse_in_contact': run.rmse(run.in_contact),
    }


def write_summary(path, hand, span, fingers):
    """Write the numbers of all fingers as JSON."""
    began = datetime.fromtimestamp(span[0] * 1e-9, timezone.utc)
    content = {'hand': hand.name, 'hand_file': hand.path.name, 'software_version': __version__,
               'began': began.isoformat(timespec='milliseconds'),
               'seconds': round((span[1] - span[0]) * 1e-9, 3), 'fingers': fingers}
    path.write_text(json.dumps(content, indent=2) + '\n', encoding='utf-8')
