# SPDX-License-Identifier: Apache-2.0
r"""A virtual press session: what a recording to calibrate with looks like, and its rehearsal.

Three balls are pressed into the skin all over the image, sheared and twisted. The virtual truth
stands for the reference sensor. The shipped files `config/calibrations/` are made with it:

    python -m tactile_nodes.trials.press_session presses \
        --serial VF-1001 --elastomer config/elastomers/soft_marked.yaml
    tactile calibrate presses/bag --indentations presses/indentations.csv \
        --serial VF-1001 --elastomer config/elastomers/soft_marked.yaml \
        --out config/calibrations/VF-1001_soft_marked.yaml
"""

import argparse
import sys
from pathlib import Path

import cv2
import numpy as np

from tactile_nodes.calibration.indentations import Indentation, write_indentations
from tactile_nodes.device.contract import Light
from tactile_nodes.errors import TactileError
from tactile_nodes.files.elastomer import read_elastomer
from tactile_nodes.files.scenario import Indenter, Scenario, Step
from tactile_nodes.trials.bag import BagWriter, message_definitions
from tactile_nodes.virtual.optics import REFERENCE_EXPOSURE, SkinCamera, optics_of
from tactile_nodes.virtual.scenario import ScenarioPlayer, grid, solution_of

FRAME_RATE = 30.0
IMAGES, WRENCH = '/fingertip/image_raw/compressed', '/sensor/wrench'
# radius, m, hardest press, N, and how far out in half images, so that imprints are whole
BALLS = ((4e-3, 2.5, 0.6), (10e-3, 5.5, 0.4), (25e-3, 8.0, 0.2))
_IMPRINT = 12e-3         # radius, m, of the largest ball whose imprint has a rim to be seen
_LIGHT = Light(0.6, 0.6, 0.6)
_FRICTION = 0.9
_UP = 1e-3               # m over the skin between presses
_SHEAR = 0.25e-3         # m per root of N of load: most of the contact still sticks
_TWIST = 0.12            # rad, at most
_START_NS = 1_700_000_000_000_000_000


def session(presses, geometry, seed=0):
    """Script a session.

    Parameters
    ----------
    presses : int
        Of each ball.
    geometry : ImageGeometry
        What the camera sees.
    seed : int

    Returns
    -------
    scenarios : list of Scenario
        One per ball, one after the other.
    indentations : list of Indentation
        A press each of the smaller balls, while it is held without shear.
    """
    rng = np.random.default_rng(seed)
    half = np.array(geometry.shape[::-1]) / 2 * geometry.metres_per_px
    scenarios, indentations, before = [], [], 0.0
    for ball, (radius, hardest, reach) in enumerate(BALLS):
        # all over the image, in an order that has nothing to do with load
        places = reach * half * (2 * _spread(ball * presses, presses) - 1)
        loads = rng.permutation(np.geomspace(0.1 * hardest, hardest, presses))
        steps, at = [Step('free', 1.2 if not before else 0.2)], np.zeros(2)
        for place, load in zip(places, loads, strict=True):
            shear = _SHEAR * np.sqrt(load) * _direction(rng)
            twist = _TWIST * rng.uniform(-1, 1)
            steps += [Step('free', 0.2, height=_UP, drag=tuple(place - at)),
                      Step('approach', 0.1, height=0.0),
                      Step('press', 0.4, force=float(load)), Step('hold', 0.15)]
            held = before + sum(step.seconds for step in steps)
            if radius <= _IMPRINT:
                indentations.append(Indentation(held - 0.15, held, 'sphere', radius))
            steps += [Step('shear', 0.4, drag=tuple(shear)), Step('twist', 0.4, twist=twist),
                      Step('shear', 0.3, drag=tuple(-1.5 * shear)),
                      Step('release', 0.2, force=0.0), Step('free', 0.1, height=_UP)]
            at = place - 0.5 * shear
        scenarios.append(Scenario(f'ball of {2e3 * radius:g} mm', False,
                                  Indenter('sphere', radius), _FRICTION, (0.0, 0.0, _UP),
                                  tuple(steps)))
        before += scenarios[-1].seconds
    return scenarios, indentations


def _spread(first, count):
    """Evenly spread places (count, 2) in the unit square (R2 sequence, M. Roberts, 2018)."""
    root = 1.32471795724474602596
    return (0.5 + np.arange(first, first + count)[:, None] / root ** np.array([1, 2])) % 1


def _direction(rng):
    angle = rng.uniform(0, 2 * np.pi)
    return np.array([np.cos(angle), np.sin(angle)])


def frames(scenarios, elastomer, serial, geometry):
    """Yield time, s, image (H, W, 3) uint8 and Truth of every frame."""
    camera = SkinCamera(elastomer, optics_of(serial), geometry, *grid())
    number, before = 0, 0.0
    for scenario in scenarios:
        player = ScenarioPlayer(scenario, solution_of(scenario, elastomer), camera)
        while (time := number / FRAME_RATE) < before + scenario.seconds:
            seen, truth = player.at(time - before)
            yield time, camera.picture(seen, _LIGHT, REFERENCE_EXPOSURE, 1.0), truth
            number += 1
        before += scenario.seconds


def write(folder, elastomer, serial, presses=20, progress=lambda share: None):
    """Write `bag` and `indentations.csv` as `tactile calibrate` takes them, into a new folder.

    Parameters
    ----------
    folder : Path
    elastomer : Elastomer
    serial : str
        Of the virtual fingertip.
    presses : int
        Of each ball.
    progress : callable
        Called with the share done, 0 to 1.

    Raises
    ------
    FileError
        The folder holds a bag already, or cannot be written.
    """
    folder, geometry = Path(folder), optics_of(serial).geometry(320, 240)
    scenarios, indentations = session(presses, geometry)
    seconds = sum(scenario.seconds for scenario in scenarios)
    with BagWriter(folder / 'bag') as bag:
        bag.add_topic(IMAGES, 'sensor_msgs/msg/CompressedImage')
        bag.add_topic(WRENCH, 'geometry_msgs/msg/WrenchStamped')
        for time, image, truth in frames(scenarios, elastomer, serial, geometry):
            stamp = _START_NS + round(time * 1e9)
            for topic, kind, content in (
                    (IMAGES, 'sensor_msgs/msg/CompressedImage', _png(image)),
                    (WRENCH, 'geometry_msgs/msg/WrenchStamped', _wrench(truth.wrench))):
                bag.write(topic, _serialised(kind, stamp, content), stamp, stamp)
            progress(time / seconds)
    write_indentations(folder / 'indentations.csv', indentations)


def _png(image):
    """Without loss: JPEG's false colours around the markers would spoil the shading."""
    data = cv2.imencode('.png', image, [cv2.IMWRITE_PNG_COMPRESSION, 1])[1]
    return {'format': 'bgr8; png compressed bgr8', 'data': data.ravel()}


def _wrench(values):
    kinds = message_definitions().types
    force, torque = (kinds['geometry_msgs/msg/Vector3'](*map(float, part))
                     for part in (values[:3], values[3:]))
    return {'wrench': kinds['geometry_msgs/msg/Wrench'](force, torque)}


def _serialised(kind, stamp, content):
    store = message_definitions()
    time = store.types['builtin_interfaces/msg/Time'](*divmod(stamp, 10**9))
    header = store.types['std_msgs/msg/Header'](time, 'fingertip_tip')
    return bytes(store.serialize_cdr(store.types[kind](header=header, **content), kind))


class _Tenths:
    """Says when another tenth is done."""

    def __init__(self):
        self._said = 0

    def __call__(self, share):
        if int(10 * share) > self._said:
            self._said = int(10 * share)
            print(f'pressing: {10 * self._said} %', file=sys.stderr, flush=True)


def main():
    """Write a session to a folder."""
    parser = argparse.ArgumentParser(prog='python -m tactile_nodes.trials.press_session',
                                     description='Write a virtual press session.')
    parser.add_argument('folder', type=Path)
    parser.add_argument('--serial', required=True)
    parser.add_argument('--elastomer', metavar='FILE', type=Path, required=True)
    args = parser.parse_args()
    try:
        write(args.folder, read_elastomer(args.elastomer), args.serial, progress=_Tenths())
    except TactileError as error:
        print(error, file=sys.stderr)
        return 2
    return 0


if __name__ == '__main__':
    sys.exit(main())
