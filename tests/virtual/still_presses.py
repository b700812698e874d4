# SPDX-License-Identifier: Apache-2.0
"""Pictures of a ball pressed into a virtual skin all over the image, to calibrate shading with."""

from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace

import cv2
import numpy as np

from tactile_nodes.calibration.indentations import Indentation, write_indentations
from tactile_nodes.core.types import Frame, Truth
from tactile_nodes.virtual.mechanics import LayerContact, Pose, Sphere
from tactile_nodes.virtual.optics import REFERENCE_EXPOSURE, SkinCamera, optics_of
from tactile_nodes.virtual.scenario import GRID_PITCH, GRID_SHAPE

FRAME_RATE = 60.0                         # Hz
RADIUS = 4e-3                             # of the ball, m
DEPTH = 0.6e-3                            # m
_COLUMNS, _ROWS = 6, 4                    # of presses
_FREE, _HOLD, _BETWEEN = 36, 6, 1         # frames
_LIGHT = SimpleNamespace(red=0.6, green=0.6, blue=0.6)        # LED levels
_FRICTION = 0.6


@dataclass(frozen=True)
class Press(Indentation):
    """One press, while the ball rests in the skin, and where: x, y in m."""

    x: float
    y: float


class PressSession:
    """A scripted session: a free skin, then presses row by row.

    Parameters
    ----------
    elastomer : Elastomer
    serial : str
        Of the virtual fingertip.
    width, height : int
        Image size, pixels.

    Attributes
    ----------
    geometry : ImageGeometry
        As it truly is.
    indentations : tuple of Press
    """

    def __init__(self, elastomer, serial, width=320, height=240):
        optics = optics_of(serial)
        self.geometry = optics.geometry(width, height)
        self._contact = LayerContact(elastomer, GRID_SHAPE, GRID_PITCH)
        self._camera = SkinCamera(elastomer, optics, self.geometry, *self._contact.axes)
        x, y = (axis[-1] for axis in self.geometry.axes())
        inset = 1.3 * np.sqrt(2 * RADIUS * DEPTH)      # whole imprints, rim and all
        period = _HOLD + _BETWEEN
        places = [(u, v) for v in np.linspace(-1, 1, _ROWS) * (y - inset)
                  for u in np.linspace(-1, 1, _COLUMNS) * (x - inset)]
        self.indentations = tuple(
            Press((_FREE + i * period) / FRAME_RATE,
                  (_FREE + i * period + _HOLD - 1) / FRAME_RATE, 'sphere', RADIUS, u, v)
            for i, (u, v) in enumerate(places))

    def frames(self):
        """Yield every Frame of the session, with its truth."""
        sequence = 0
        free = (0.0, 0.0), 1e-3
        presses = [((press.x, press.y), -DEPTH) for press in self.indentations]
        script = [(*free, _FREE)]
        for press in presses:
            script += [(*press, _HOLD), (*free, _BETWEEN)]
        ball = Sphere(RADIUS)
        for (x, y), ball_height, count in script:
            self._contact.reset()
            state = self._contact.step(self._contact.gap(ball, Pose(x, y, ball_height)),
                                       friction=_FRICTION)
            seen = self._camera.as_seen(state.displacement)
            touching = bool(state.contact.any())
            truth = Truth(
                wrench=state.wrench, stick_ratio=state.stick_ratio, slipping=state.slipping,
                in_contact=touching, centroid=np.append(
                    state.centroid, -state.displacement[2].min() if touching else np.nan))
            for _ in range(count):
                image = self._camera.picture(seen, _LIGHT, REFERENCE_EXPOSURE, 1.0)
                yield Frame(image=image, stamp_ns=round(sequence * 1e9 / FRAME_RATE),
                            sequence=sequence, truth=truth)
                sequence += 1

    def write(self, folder):
        """Write `images/` and `indentations.csv`, as `tactile calibrate` takes them."""
        images = Path(folder) / 'images'
        images.mkdir(parents=True, exist_ok=True)
        for frame in self.frames():
            cv2.imwrite(str(images / f'{frame.sequence:05d}.png'), frame.image)
        write_indentations(Path(folder) / 'indentations.csv', self.indentations)
