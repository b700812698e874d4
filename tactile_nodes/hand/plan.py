# SPDX-License-Identifier: Apache-2.0
"""The plan of a hand: which processes it takes, with names, namespaces and parameters.

Both ways to bring a hand up start exactly this: the launch file and the supervisor.
"""

import itertools
import json
from dataclasses import dataclass, field
from pathlib import Path

import yaml

from tactile_nodes.device.recording import RecordingDevice
from tactile_nodes.errors import TactileError
from tactile_nodes.files.hand import read_hand
from tactile_nodes.hand.resources import PACKAGE, shipped
from tactile_nodes.interface import PARAMETERS

LAYOUTS = ('composed', 'split')
_SHOWN = ('wrench', 'contact')         # of each finger in the viewer
_STAGES = ('device', 'contact', 'flow', 'force', 'view')


@dataclass(frozen=True)
class Process:
    """One process of a hand.

    Attributes
    ----------
    name : str
        Unique within the plan; shown before every line of its output.
    package, executable : str
        As for `ros2 run`.
    namespace : str
        Absolute ROS namespace.
    node : str or None
        Name of its only node; None where it holds several or is not renamed.
    parameters : dict
        ROS parameters by name, for every node in the process.
    arguments : tuple of str
        Before the ROS arguments.
    file : str
        Text of a file that is written for it and named as the last of these; '' for none.
    respawn : bool
        Whether it is started again when it ends by itself.
    """

    name: str
    package: str
    executable: str
    namespace: str
    node: str | None = None
    parameters: dict = field(default_factory=dict)
    arguments: tuple[str, ...] = ()
    file: str = ''
    respawn: bool = True

    @property
    def own(self):
        """Whether the executable is one of this package."""
        return self.package == PACKAGE


@dataclass(frozen=True)
class Plan:
    """The processes of one hand; `namespace` is the hand's, `fingers` are names in order."""

    namespace: str
    fingers: tuple[str, ...]
    processes: tuple[Process, ...]


def load_plan(path, **options):
    """Read a hand file, check everything that it names and return the plan of `plan_hand`.

    Raises
    ------
    TactileError
        Something is missing or wrong, also in a file or recording that the hand file names.
    """
    hand = read_hand(path)
    plan = plan_hand(hand, **options)
    for finger in hand.fingers:
        if finger.device.recording:
            with RecordingDevice(finger.device.recording, topic=finger.device.topic or None) \
                    as device:          # it opens, and has the topic
                size = device.info.width_px, device.info.height_px
            if size != (hand.width, hand.height):
                raise TactileError('recording of another image size', found='{}x{}'.format(*size),
                                   where=f'{path}: {finger.name}',
                                   expected=f'{hand.width}x{hand.height}')
    return plan


def plan_hand(hand, *, fingers=None, layout='composed', record=None, trials=None, rviz=False):
    """Expand a hand into the processes that run it.

    Parameters
    ----------
    hand : Hand
    fingers : sequence of str, optional
        Only these, else all.
    layout : str
        'composed' (one process per finger) or 'split' (one per node).
    record : path, optional
        Folder to record the whole run into.
    trials : path, optional
        Folder for trials, each recorded when it is started.
    rviz : bool
        Whether the viewer is started.

    Returns
    -------
    Plan

    Raises
    ------
    TactileError
        Unknown finger or layout, or both `record` and `trials`.
    """
    if record is not None and trials is not None:
        raise TactileError('record and trials exclude each other',
                           fix='Record the whole run, or trials that are started one by one.')
    if layout not in LAYOUTS:
        raise TactileError('unknown layout', found=layout, expected='one of ' + ', '.join(LAYOUTS))
    chosen = _choose(hand, fingers)
    names = tuple(finger.name for finger in chosen)
    namespace = f'/{hand.name}'
    processes = [process for finger in chosen for process in _finger(hand, finger, layout)]
    processes += [_transform(hand, finger) for finger in chosen if finger.mount]
    processes.append(Process('hand', PACKAGE, 'hand_node', namespace, 'hand', {'fingers': names}))
    if record is not None or trials is not None:
        processes.append(Process('recorder', PACKAGE, 'recorder_node', namespace, 'recorder', {
            'fingers': names, 'output': str(Path(record or trials).absolute()),
            'hand_file': str(hand.path), 'autostart': record is not None}))
    if rviz:
        processes.append(Process('rviz', 'rviz2', 'rviz2', namespace, arguments=('-d',),
                                 file=_viewer(hand, names), respawn=False))
    return Plan(namespace, names, tuple(processes))


def record_folder(text):
    """Folder that a launch argument asks to record into, or None.

    '' and 'false' record nothing, 'true' means the folder `recordings`, else it is the folder.
    """
    return {'': None, 'false': None, 'true': Path('recordings')}.get(text.lower(), Path(text))


def arguments_of(process, folder):
    """Arguments of a process before the ROS arguments; its file is written into `folder`."""
    if not process.file:
        return list(process.arguments)
    path = Path(folder) / f'hand.{process.name}'       # hand.rviz, as the viewer's own files
    path.write_text(process.file, encoding='utf-8')
    return [*process.arguments, str(path)]


def write_parameters(process, folder):
    """Write the process's parameters as a ROS parameter file and return its path.

    JSON is YAML with every text in quotes, so that a serial number such as 12E4 stays a text.
    """
    path = Path(folder) / f'{process.name}.yaml'
    content = {'/**': {'ros__parameters': process.parameters}}
    path.write_text(json.dumps(content, indent=2, ensure_ascii=False), encoding='utf-8')
    return path


def _viewer(hand, names):
    """RViz configuration, in JSON, which is YAML: the shipped one with these names instead."""
    config = yaml.safe_load(shipped('config/four_finger_hand.rviz').read_text(encoding='utf-8'))
    manager = config['Visualization Manager']
    common, fingers = [], {}
    for display in manager['Displays']:
        name, _, kind = display['Name'].partition(' ')
        (fingers.setdefault(name, []) if kind in _SHOWN else common).append(display)
    shipped_hand = manager['Global Options']['Fixed Frame'].removesuffix('_base')
    text = [json.dumps(common)]
    for name, (old, displays) in zip(names, itertools.cycle(fingers.items()), strict=False):
        text.append(json.dumps(displays).replace(f'"{old} ', f'"{name} ')
                    .replace(f'/{old}/', f'/{name}/'))
    manager['Displays'] = [display for part in text
                           for display in json.loads(part.replace(f'/{shipped_hand}/',
                                                                  f'/{hand.name}/'))]
    manager['Global Options']['Fixed Frame'] = hand.base_frame
    return json.dumps(config, indent=2)


def _choose(hand, names):
    fingers = {finger.name: finger for finger in hand.fingers}
    unknown = [name for name in names or () if name not in fingers]
    if unknown:
        raise TactileError('unknown finger', where=str(hand.path), found=unknown[0],
                           expected='one of ' + ', '.join(fingers))
    return [finger for finger in hand.fingers if names is None or finger.name in names]


def _finger(hand, finger, layout):
    namespace = f'/{hand.name}/{finger.name}'
    values = _parameters(hand, finger)
    if layout == 'composed':
        return [Process(finger.name, PACKAGE, 'fingertip', namespace, parameters=values)]
    return [Process(f'{finger.name}.{stage}', PACKAGE, f'{stage}_node', namespace, stage,
                    {name.name: values[name.name] for name in PARAMETERS[stage]
                     if name.name in values})
            for stage in _STAGES]


def _parameters(hand, finger):
    """What the hand file says about a finger, by names of the parameter table."""
    device = finger.device
    return {
        'finger': finger.name,
        'serial': finger.serial,
        'elastomer_file': str(finger.elastomer_file),
        'calibration_file': str(finger.calibration_file or ''),
        'device': device.kind,
        'profile_file': str(device.profile or ''),
        'port': device.port,
        'scenario_file': str(device.scenario or ''),
        'scenario_start': device.start,
        'recording': str(device.recording or ''),
        'recording_topic': device.topic,
        'recording_repeat': device.repeat,
        'width': hand.width,
        'height': hand.height,
        'frame_rate': finger.frame_rate,
        'exposure': finger.exposure,
        'gain': finger.gain,
        **{f'led.{channel}': level for channel, level in finger.leds.items()},
    }


def _transform(hand, finger):
    """Where the tip is on the hand, for a viewer without a robot description."""
    names = ('--x', '--y', '--z', '--roll', '--pitch', '--yaw')
    pose = (*finger.mount.xyz, *finger.mount.rpy)
    arguments = [text for name, value in zip(names, pose, strict=True)
                 for text in (name, f'{value:.9g}')]
    arguments += ['--frame-id', hand.base_frame, '--child-frame-id', finger.frame]
    return Process(f'{finger.name}.transform', 'tf2_ros', 'static_transform_publisher',
                   f'/{hand.name}', f'{finger.name}_transform', arguments=tuple(arguments))
