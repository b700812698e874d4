# SPDX-License-Identifier: Apache-2.0
"""Flow error as J. L. Barron, D. J. Fleet & S. S. Beauchemin, IJCV 12 (1994) 43, define it."""

import numpy as np


def end_point_error(found, true):
    """(N,) length of the difference of two (N, 2) flows, px."""
    return np.hypot(*(np.asarray(found) - true).T)


def angular_error(found, true):
    """(N,) angle between (u, v, 1) and (u', v', 1), degrees.

    By atan2 of cross and dot product: arccos, as written in the paper, cannot resolve less than
    1e-6 degrees.
    """
    a, b = (np.column_stack([flow, np.ones(len(flow))]) for flow in (found, true))
    return np.degrees(np.arctan2(np.linalg.norm(np.cross(a, b), axis=1), (a * b).sum(axis=1)))
