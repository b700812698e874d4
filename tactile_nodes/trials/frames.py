# SPDX-License-Identifier: Apache-2.0
"""Pictures of single frames of a recorded trial, with what was found in them."""

from types import SimpleNamespace

from tactile_nodes.core.contact import ContactStage
from tactile_nodes.core.overlay import draw_overlay
from tactile_nodes.errors import FileError
from tactile_nodes.files.calibration import read_calibration
from tactile_nodes.trials.offline import Recording
from tactile_nodes.trials.run import BagReader

FrameReader = BagReader


class FingerFrames:
    """Frames of one finger.

    Parameters
    ----------
    reader : FrameReader
        Open.
    trial : Trial
    name : str
        Of the finger.
    series : FingerSeries

    Raises
    ------
    FileError
        The trial has no calibration of this finger, or no reference.
    """

    def __init__(self, reader, trial, name, series):
        self._reader, self._namespace = reader, f'/{trial.hand}/{name}'
        equipment = (trial.fingers or {}).get(name)
        if equipment is None or not equipment.calibration:
            raise FileError('no calibration', where=str(trial.folder))
        calibration = read_calibration(trial.folder / equipment.calibration)
        self._geometry = calibration.geometry
        self._stage = ContactStage(calibration.geometry, calibration.elastomer,
                                   calibration.shading)
        recording = Recording(trial.folder, f'{self._namespace}/image_raw/compressed')
        reference = next(recording.references(), None)
        if reference is None:
            raise FileError('no reference in the bag', where=str(trial.folder))
        self._stage.set_reference(reference[1])
        self._run = SimpleNamespace(
            stamp_ns=series.stamp_ns, wrench=series.wrench, sd=series.sd,
            stick_ratio=series.stick_ratio, slipping=series.slipping)
        self._goal = series.goal

    def image(self, row):
        """Picture (H, W, 3) uint8 of a row of the series, or None if it is not there."""
        frame = self._reader.frame(self._namespace, self._run, row)
        return None if frame is None else frame[0]

    def overlay(self, row):
        """The same with contact, markers and forces drawn in, see `draw_overlay`."""
        frame = self._reader.frame(self._namespace, self._run, row)
        if frame is None:
            return None
        image, markers, estimate = frame
        goal = self._goal[row]
        return draw_overlay(image, self._geometry, self._stage.process(image, markers), markers,
                            estimate, goal=None if goal[0] != goal[0] else goal)
