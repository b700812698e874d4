# SPDX-License-Identifier: Apache-2.0
"""The ROS interface as tables: topics, services and parameters, each named exactly once.

Nodes, plan, recorder, viewer configuration and README are built from or tested against these
tables. No ROS import here, so that tools without ROS can read them too.
"""

from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Topic:
    """One published topic.

    Attributes
    ----------
    name : str
        Relative to `/<hand>/<finger>`, or to `/<hand>` for the hand's own, or absolute.
    type : str
        Such as 'sensor_msgs/msg/Image'.
    node : str
        Which node publishes it.
    about : str
    latched : bool
        Kept for late subscribers (transient local, depth 1).
    record : bool
        Whether a recording of the hand holds it.
    depth : int
        Queue length of the publisher; all are reliable, keep last (REP 2003). It bridges the
        time for which a recorder does not get the processor.
    """

    name: str
    type: str
    node: str
    about: str
    latched: bool = False
    record: bool = True
    depth: int = 5


FINGER_TOPICS = (
    Topic('image_raw', 'sensor_msgs/msg/Image', 'device', 'camera image, bgr8', record=False,
          depth=2),
    Topic('image_raw/compressed', 'sensor_msgs/msg/CompressedImage', 'device',
          'the same as JPEG, made only when somebody subscribes'),
    Topic('camera_info', 'sensor_msgs/msg/CameraInfo', 'device', 'size of the image'),
    Topic('reference/image', 'sensor_msgs/msg/Image', 'device',
          'no-contact reference: mean, bgr16, 256 per grey level', latched=True, depth=1),
    Topic('reference/noise', 'sensor_msgs/msg/Image', 'device',
          'no-contact reference: standard deviation per pixel, bgr16, 256 per grey level',
          latched=True, depth=1),
    Topic('contact/mask', 'sensor_msgs/msg/Image', 'contact',
          'mono8, 255 where the skin is touched', record=False, depth=2),
    Topic('contact/depth', 'sensor_msgs/msg/Image', 'contact',
          '32FC1, m, positive inward, NaN where not measured', record=False, depth=2),
    Topic('contact/centroid', 'geometry_msgs/msg/PointStamped', 'contact',
          'contact keypoint: x, y, and z = depth of the imprint (0 if not measured), m; '
          'only while in contact'),
    Topic('contact/in_contact', 'std_msgs/msg/Bool', 'contact', 'whether anything touches'),
    Topic('markers/displacement', 'sensor_msgs/msg/PointCloud2', 'flow',
          'x y z dx dy dz id: rest position and displacement, m; NaN displacement = lost marker'),
    Topic('wrench', 'geometry_msgs/msg/WrenchStamped', 'force',
          'what the object exerts on the fingertip, N and N*m'),
    Topic('wrench/stddev', 'geometry_msgs/msg/WrenchStamped', 'force',
          'standard deviation per axis; inf = axis not measured'),
    Topic('contact/stick_ratio', 'std_msgs/msg/Float32', 'force',
          'stuck share of the contact, 0 to 1; 1 without contact'),
    Topic('contact/slipping', 'std_msgs/msg/Bool', 'force',
          'slip warning: the whole contact slides, or will in about 0.1 s if the motion goes on'),
    Topic('contact/overlay', 'sensor_msgs/msg/Image', 'view',
          'bgr8 picture: mask outline, displacement arrows, force, goal; '
          'made only when somebody subscribes', record=False, depth=2),
    Topic('visualization', 'visualization_msgs/msg/MarkerArray', 'view',
          'force arrow and contact patch; made only when somebody subscribes', record=False),
    Topic('truth/wrench', 'geometry_msgs/msg/WrenchStamped', 'device',
          'virtual fingertips only: the wrench as it really is'),
    Topic('truth/centroid', 'geometry_msgs/msg/PointStamped', 'device',
          'virtual fingertips only: the contact keypoint as it really is, while in contact'),
)

HAND_TOPICS = (
    Topic('overlay', 'sensor_msgs/msg/Image', 'hand',
          "bgr8 mosaic of all fingers' overlays; made only when somebody subscribes",
          record=False, depth=2),
    Topic('/diagnostics', 'diagnostic_msgs/msg/DiagnosticArray', 'every node but hand',
          'one status per finger and concern, once a second'),
)

GOAL = Topic('contact/goal', 'geometry_msgs/msg/PointStamped', 'your controller',
             'optional: where the contact should be; drawn into the overlay')

_TRIGGER = 'std_srvs/srv/Trigger'
SERVICES = (
    ('capture_reference', _TRIGGER, 'device', 'take a new no-contact reference'),
    ('trial/start', _TRIGGER, 'recorder',
     'begin a trial named by the parameters `trial.object`, `trial.condition`, `trial.note`'),
    ('trial/mark', _TRIGGER, 'recorder', 'note the text of `trial.mark` at this moment'),
    ('trial/stop', _TRIGGER, 'recorder',
     'end the trial and label it with `trial.outcome` and `trial.drop_at`'),
    ('trial/status', _TRIGGER, 'recorder', 'what goes on, as JSON in the message'),
)


@dataclass(frozen=True)
class Parameter:
    """One node parameter; `low`/`high` are enforced, `read_only` means set at start only."""

    name: str
    default: Any
    about: str
    unit: str = ''
    low: float | None = None
    high: float | None = None
    read_only: bool = False


COMMON = (
    Parameter('finger', 'finger', 'name of the finger; the frame is <finger>_tip',
              read_only=True),
    Parameter('elastomer_file', '', 'elastomer file of the mounted elastomer', read_only=True),
    Parameter('calibration_file', '', 'calibration file of this fingertip and elastomer',
              read_only=True),
    Parameter('serial', '', 'serial number of the fingertip', read_only=True),
    Parameter('width', 320, 'image width', 'px', 16, 4096, True),
    Parameter('height', 240, 'image height', 'px', 16, 4096, True),
    Parameter('reference_frames', 30, 'frames averaged for a reference', '', 5, 240, True),
)

PARAMETERS = {
    'device': COMMON + (
        Parameter('device', 'virtual', 'kind of source: usb, virtual or recording',
                  read_only=True),
        Parameter('profile_file', '', 'usb: device profile', read_only=True),
        Parameter('port', '', 'usb: port path such as 1-2.3; empty: wherever the serial is',
                  read_only=True),
        Parameter('scenario_file', '', 'virtual: what happens to the fingertip', read_only=True),
        Parameter('scenario_start', 0.0, 'virtual: where in the scenario to begin', 's', 0.0,
                  3600.0, True),
        Parameter('recording', '', 'recording: bag or folder of images', read_only=True),
        Parameter('recording_topic', '', 'recording: image topic in the bag', read_only=True),
        Parameter('recording_repeat', False, 'recording: begin again at its end', read_only=True),
        Parameter('frame_rate', 60.0, 'frames per second', 'Hz', 1.0, 240.0),
        Parameter('exposure', 0.008, 'exposure time', 's', 0.0001, 0.1),
        Parameter('gain', 1.0, 'camera gain as a factor', '', 0.1, 16.0),
        Parameter('led.red', 0.6, 'LED level, red', '', 0.0, 1.0),
        Parameter('led.green', 0.6, 'LED level, green', '', 0.0, 1.0),
        Parameter('led.blue', 0.6, 'LED level, blue', '', 0.0, 1.0),
        Parameter('autostart', True, 'configure and activate at start', read_only=True),
    ),
    'contact': COMMON,
    'flow': COMMON,
    'force': COMMON,
    'view': COMMON,
    'hand': (
        Parameter('fingers', ('finger',), 'names of the fingers, in the order of the mosaic',
                  read_only=True),
    ),
    'recorder': (
        Parameter('fingers', ('finger',), 'names of the fingers to record', read_only=True),
        Parameter('output', 'recordings', 'folder that gets one folder per trial',
                  read_only=True),
        Parameter('hand_file', '', 'hand file to keep a copy of with each trial', read_only=True),
        Parameter('autostart', False, 'record at once, until the node ends', read_only=True),
        Parameter('topics', '', 'other topics to record as well, absolute, separated by commas'),
        Parameter('trial.object', '', 'what is grasped'),
        Parameter('trial.condition', '', 'what is compared, such as the grip'),
        Parameter('trial.note', '', 'anything else'),
        Parameter('trial.mark', '', 'text of the next mark'),
        Parameter('trial.outcome', '', 'success, dropped or aborted; empty: to be labelled later'),
        Parameter('trial.drop_at', -1.0, 'when it was dropped, after the start; -1: unknown', 's',
                  -1.0, 1e6),
    ),
}
