# SPDX-License-Identifier: Apache-2.0
"""Force on the fingertip: wrench from depth and marker motion, its standard deviation, and slip.

The standard deviation combines, as JCGM 100:2008 (GUM) does, the errors of markers and depth
(watched while nothing touches; and a share of the signal itself, because cells are coarse, strain
is not small and shading is not perfect) carried through the estimator, what the estimator cannot
know (`traction`), and the modulus. Where the layer model explains the rows even worse than that,
the first two grow by the root of the misfit (R. T. Birge, Phys. Rev. 40 (1932) 207). With a
calibration's correction, the errors that it found say how much of it counts.
"""

from math import log2

import numpy as np

from tactile_nodes.core.force_model import ForceModel, feature_vector
from tactile_nodes.core.slip import SlipDetector
from tactile_nodes.core.traction import TractionEstimator, resolution
from tactile_nodes.core.types import ForceEstimate
from tactile_nodes.errors import DataError

_PITCHES = (1 / 3, 1 / 2)      # cell sizes, of the `resolution`
_FINE_CELLS = 160              # the finer grid serves contacts of up to this many cells
_STEP_SHARE, _MARKER_SHARE = 2.5, 0.05      # of the rows' rms over the image: error of the model
_MARKER_SD = 1e-6              # m, before any frame without contact was seen
_STEP_SD = 1e-6                # m
_PRIOR_FRAMES, _MEMORY_FRAMES = 5, 600


class ForceStage:
    """Wrench, its standard deviation and slip of one fingertip.

    Without contact the wrench is exactly 0 and its standard deviation that of a small touch (one
    cell and its neighbours at the tip origin): forces below it go unseen. Axes are measured as
    far as there are rows: without markers fx, fy and tz are 0 with standard deviation inf; without
    depth fz, tx and ty come from the markers alone, as uncertain as they then are.

    Parameters
    ----------
    geometry : ImageGeometry
    elastomer : Elastomer
    model : ForceModel

    Attributes
    ----------
    features : (F,) float64
        `feature_vector` of the last frame, which a calibration is fitted to.
    layer_sd : (6,) float64
        Standard deviation of the last frame's wrench before correction, but for the modulus, N
        and N*m.
    """

    def __init__(self, geometry, elastomer, model=ForceModel()):  # noqa: B008
        self._work = geometry.work
        self._model = model
        self._layer = layer = model.layer(elastomer)
        self._slip = SlipDetector(layer)
        self._grids = [TractionEstimator(self._work, layer, p * resolution(self._work, layer))
                       for p in _PITCHES]
        self._step_noise = _Noise(_STEP_SD)
        self._marker_noise = _Noise(_MARKER_SD)
        self._rest = np.zeros((0, 2), np.float32)
        self._places = self._work.to_tip(np.argwhere(np.ones(self._work.shape)))
        middle = np.zeros(self._work.shape, bool)
        middle[self._work.height_px // 2, self._work.width_px // 2] = True
        self._smallest = self._grids[0].support(middle, np.zeros(2))

    def process(self, contact, markers, stamp_ns):
        """Estimate from one frame.

        Parameters
        ----------
        contact : Contact
            Its `mask` and `depth` are used.
        markers : MarkerField
        stamp_ns : int
            Of the frame.

        Returns
        -------
        ForceEstimate

        Raises
        ------
        DataError
            Mask or depth are not of the work grid.
        """
        if not contact.mask.shape == contact.depth.shape == self._work.shape:
            raise DataError('wrong contact', where='force',
                            found=(contact.mask.shape, contact.depth.shape),
                            expected=f'mask and depth of {self._work.shape}')
        if not np.array_equal(markers.rest, self._rest):
            self._rest = markers.rest
            for grid in self._grids:
                grid.set_markers(markers.rest.astype(np.float64))
        motion = markers.displacement
        touched = np.flatnonzero(contact.mask)
        depths = contact.depth.ravel()[touched]
        if len(touched):
            # the image shows depth where the skin went, the layer's response is known from where
            # it came; so mask and depth are taken back by as much
            shift = markers.mean_motion(contact.mask, self._work)
            grid, support = self._choose(contact.mask, shift)
        else:
            shift, grid, support = np.zeros(2), self._grids[0], self._smallest
        steps = grid.depth_steps(contact.depth, shift)
        if not len(touched):
            self._step_noise.add(steps)
            self._marker_noise.add(motion)
        result = grid.solve(support, steps, self._step_noise.with_share(steps, _STEP_SHARE),
                            motion, self._marker_noise.with_share(motion, _MARKER_SHARE))
        wrench = _taken_along(result.wrench, shift, depths) if len(touched) else np.zeros(6)
        variance = result.covariance.diagonal() * max(1.0, result.misfit)
        self.layer_sd = np.sqrt(variance)
        places = self._places.take(touched, axis=0)
        self.features = feature_vector(wrench, self._layer, places, depths)
        correction = self._model.correction
        if correction is None:
            sd = np.sqrt(variance + (self._model.relative_sd * wrench)**2)
        else:
            wrench = wrench + correction.weights @ self.features
            sd = correction.sd(wrench, self.layer_sd)
        has_motion = bool(markers.valid.any())
        has_normal = has_motion or bool(np.isfinite(steps).any())
        measured = np.array([has_motion, has_motion, has_normal, has_normal, has_normal,
                             has_motion])
        force = wrench[:3] if measured[:3].all() else None
        stick_ratio, slipping = self._slip.process(places, depths, markers, stamp_ns, force)
        return ForceEstimate(np.where(measured, wrench, 0.0),
                             np.where(measured, sd, np.inf), stick_ratio, slipping)

    def _choose(self, seen, shift):
        """Grid for the touched region of a skin moved by `shift`, and its supporting cells."""
        support = self._grids[0].support(seen, shift)
        if np.count_nonzero(support) <= _FINE_CELLS:
            return self._grids[0], support
        return self._grids[1], self._grids[1].support(seen, shift)


def _taken_along(wrench, shift, depths):
    """Wrench (6,) of forces at undeformed places, now that these moved by `shift` and `depths`."""
    depths = depths[np.isfinite(depths)]
    dx, dy = shift
    dz = -depths.mean() if len(depths) else 0.0
    fx, fy, fz = wrench[:3]
    return wrench + [0, 0, 0, dy * fz - dz * fy, dz * fx - dx * fz, dx * fy - dy * fx]


class _Noise:
    """Running standard deviation about 0 of values of which a few may be outliers."""

    def __init__(self, prior_sd):
        self._least = (prior_sd / 10)**2
        self._variance, self._frames = prior_sd**2, _PRIOR_FRAMES

    def add(self, values):
        """Take the values of one frame; NaN are left out."""
        known = values[np.isfinite(values)]
        if len(known):
            # median of the square of a standard normal variable is 0.4549
            middle = np.partition(np.abs(known), len(known) // 2)[len(known) // 2]
            variance = max(float(middle)**2 / 0.4549, self._least)
            self._frames = min(self._frames + 1, _MEMORY_FRAMES)
            self._variance += (variance - self._variance) / self._frames

    def with_share(self, values, share):
        """Standard deviation of values whose signal is wrong by a share of its rms.

        Rounded to eighths of an octave, so that the estimator need not be set up anew each frame.
        """
        known = values[np.isfinite(values)]
        square = float(np.vdot(known, known)) / max(1, known.size)
        variance = self._variance + share**2 * max(square - self._variance, 0)
        return 2.0**(round(4 * log2(variance)) / 8)
