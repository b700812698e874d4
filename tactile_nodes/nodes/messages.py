# SPDX-License-Identifier: Apache-2.0
"""Arrays to ROS messages and back; nothing else in the package knows how a message is laid out.

What is on the hot path (bgr8, mono8, 32FC1, bgr16) is converted here without cv_bridge: that is
not on any package registry, and on a robot it is tied to one NumPy version. Every other encoding
(yuv422, bayer and so on) goes through cv_bridge where it is installed.
"""

import array
import re
import sys
from importlib import import_module

import cv2
import numpy as np
from builtin_interfaces.msg import Duration, Time
from geometry_msgs.msg import Point, PointStamped, WrenchStamped
from sensor_msgs.msg import CameraInfo, CompressedImage, Image, PointCloud2, PointField
from std_msgs.msg import Bool, ColorRGBA, Float32, Header
from visualization_msgs.msg import Marker, MarkerArray

from tactile_nodes.core.reference import Reference
from tactile_nodes.core.types import Contact, MarkerField
from tactile_nodes.errors import DataError

ENCODINGS = {'bgr8': (np.uint8, 3), 'mono8': (np.uint8, 1), '32FC1': (np.float32, 1),
             'bgr16': (np.uint16, 3)}
JPEG_QUALITY = 90
METRES_PER_NEWTON = 0.01
"""Length of the force arrow in the viewer."""

_MAX_SIDE = 16384
_MESSAGE_TYPE = re.compile('([a-z][a-z0-9_]*)/msg/([A-Z][A-Za-z0-9]*)')
POINT = np.dtype([('x', '<f4'), ('y', '<f4'), ('z', '<f4'), ('dx', '<f4'), ('dy', '<f4'),
                  ('dz', '<f4'), ('id', '<i4')])
"""A marker in the point cloud: rest position and displacement in m, and its number."""

_CLOUD_LAYOUT = [
    (name, offset, PointField.INT32 if kind == np.int32 else PointField.FLOAT32, 1)
    for name, (kind, offset) in POINT.fields.items()]
_ARROW_COLOUR = ColorRGBA(r=0.84, g=0.37, b=0.0, a=1.0)      # as in the overlay: vermillion
_PATCH_COLOUR = ColorRGBA(r=0.34, g=0.71, b=0.91, a=0.6)     # sky blue
_SHOWN = Duration(sec=2)


def message_type(name):
    """Class of a message type such as 'sensor_msgs/msg/Image'.

    Raises
    ------
    DataError
        It is none, or not installed. (The name may come from anybody on the network.)
    """
    parts = _MESSAGE_TYPE.fullmatch(name)
    try:
        return getattr(import_module(f'{parts[1]}.msg'), parts[2])
    except (TypeError, ImportError, AttributeError):
        raise DataError('no such message type here', found=name,
                        expected='one that is installed') from None


def header_of(stamp_ns, frame_id):
    """Header with a stamp given in ns."""
    seconds, nanoseconds = divmod(int(stamp_ns), 10**9)
    return Header(stamp=Time(sec=seconds, nanosec=nanoseconds), frame_id=frame_id)


def stamp_of(message):
    """Stamp of a message's header in ns."""
    stamp = message.header.stamp
    return stamp.sec * 10**9 + stamp.nanosec


def bool_message(value):
    """Bool of anything true or false."""
    return Bool(data=bool(value))


def float_message(value):
    """Float32 of a number."""
    return Float32(data=float(value))


def image_message(image, encoding, header):
    """Image message of an (H, W) or (H, W, 3) array of the encoding's type."""
    image = np.ascontiguousarray(image, dtype=ENCODINGS[encoding][0])
    height, width = image.shape[:2]
    message = Image(header=header, height=height, width=width, encoding=encoding,
                    is_bigendian=int(sys.byteorder == 'big'), step=image.strides[0])
    message.data = _bytes(image)
    return message


def image_from_message(message, encoding, shape=None):
    """Array of an Image message, converted to `encoding`.

    Parameters
    ----------
    message : sensor_msgs.msg.Image
    encoding : str
        'bgr8', 'mono8', '32FC1' or 'bgr16'.
    shape : (int, int), optional
        Height and width that the image must have.

    Returns
    -------
    (H, W) or (H, W, 3) array
        Not a copy where the message needs no conversion.

    Raises
    ------
    DataError
        Size, encoding, step or amount of data do not fit.
    """
    height, width = message.height, message.width
    if not (0 < height <= _MAX_SIDE and 0 < width <= _MAX_SIDE) \
            or (shape is not None and (height, width) != tuple(shape)):
        raise DataError('wrong image size', found=f'{width}x{height}',
                        expected=f'{shape[1]}x{shape[0]}' if shape else 'at least 1x1')
    if len(message.data) != message.step * height:
        raise DataError('wrong amount of image data', found=len(message.data),
                        expected=f'step x height = {message.step} x {height} bytes')
    if message.encoding != encoding:
        return _convert(message, encoding)
    kind, channels = ENCODINGS[encoding]
    used = width * channels * np.dtype(kind).itemsize
    if message.step < used:
        raise DataError('image step too small', found=message.step,
                        expected=f'at least {used} bytes for {width} pixels of {encoding}')
    rows = np.frombuffer(message.data, np.uint8).reshape(height, message.step)[:, :used]
    kind = np.dtype(kind).newbyteorder('>' if message.is_bigendian else '<')
    image = np.ascontiguousarray(rows).view(kind).astype(kind.newbyteorder('='), copy=False)
    return image.reshape(height, width, 3) if channels == 3 else image


def _convert(message, encoding):
    try:
        from cv_bridge import CvBridge, CvBridgeError
    except ImportError:
        raise DataError('wrong image encoding', found=message.encoding, expected=encoding,
                        fix='Publish that encoding, or install cv_bridge, which converts.'
                        ) from None
    try:
        return CvBridge().imgmsg_to_cv2(message, desired_encoding=encoding)
    except (CvBridgeError, ValueError, TypeError) as error:
        raise DataError(f'image cannot be converted ({error})', found=message.encoding,
                        expected=encoding) from None


def compressed_message(frame, header):
    """CompressedImage of a frame: the camera's own JPEG, else its image encoded here."""
    jpeg = frame.jpeg
    if jpeg is None:
        jpeg = cv2.imencode('.jpg', frame.image, (cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY))[1]
    message = CompressedImage(header=header, format='bgr8; jpeg compressed bgr8')
    message.data = _bytes(jpeg)
    return message


def camera_info_message(width, height, header):
    """CameraInfo of an uncalibrated camera: no distortion, zero matrices (REP 104)."""
    return CameraInfo(header=header, width=width, height=height)


def wrench_message(wrench, header):
    """WrenchStamped of (6,) fx fy fz tx ty tz."""
    message = WrenchStamped(header=header)
    force, torque = message.wrench.force, message.wrench.torque
    force.x, force.y, force.z, torque.x, torque.y, torque.z = map(float, wrench)
    return message


def wrench_from_message(message, *, finite=True):
    """(6,) float64 of a WrenchStamped; DataError for NaN, and for inf if `finite`."""
    force, torque = message.wrench.force, message.wrench.torque
    wrench = np.array([force.x, force.y, force.z, torque.x, torque.y, torque.z])
    if np.isnan(wrench).any() or (finite and not np.isfinite(wrench).all()):
        raise DataError('wrench is not finite', found=wrench.tolist())
    return wrench


def point_message(xyz, header):
    """PointStamped of (3,) x y z."""
    return PointStamped(header=header, point=_point(xyz))


def point_from_message(message):
    """(3,) float64 of a PointStamped; DataError unless x and y are finite."""
    point = np.array([message.point.x, message.point.y, message.point.z])
    if not np.isfinite(point[:2]).all():
        raise DataError('point is not finite', found=point.tolist())
    return point


def contact_images(contact, geometry):
    """Mask (H, W) uint8, 255 = touched, and depth (H, W) float32 at full image size."""
    size = geometry.shape[::-1]
    mask = cv2.resize(contact.mask.astype(np.uint8) * 255, size, interpolation=cv2.INTER_NEAREST)
    return mask, cv2.resize(contact.depth, size, interpolation=cv2.INTER_NEAREST)


def centroid_of(contact):
    """(3,) x y of the centroid and the imprint's depth there; 0 where depth is not measured."""
    return np.nan_to_num([*contact.centroid, contact.centroid_depth])


def contact_from_images(geometry, mask, depth=None, centroid=(np.nan, np.nan)):
    """Contact as the contact stage found it, of what `contact_images` made of it."""
    step = geometry.work_factor
    mask = np.ascontiguousarray(mask[::step, ::step] > 0)
    if depth is None:
        depth = np.full(mask.shape, np.nan, np.float32)
    return Contact(mask, np.ascontiguousarray(depth[::step, ::step]),
                   np.count_nonzero(mask) * geometry.work.pixel_area, np.asarray(centroid[:2]),
                   np.nan, np.ones(3))


def cloud_points(markers):
    """(N,) array of POINT of a MarkerField; z and dz are 0, the skin at rest is flat."""
    points = np.zeros(len(markers.ids), POINT)
    points['x'], points['y'] = markers.rest.T
    points['dx'], points['dy'] = markers.displacement.T
    points['id'] = markers.ids
    return points


def cloud_message(points, header):
    """PointCloud2 of `cloud_points`, never called dense: any marker may be lost."""
    message = PointCloud2(header=header, height=1, width=len(points), is_bigendian=False,
                          fields=[PointField(name=name, offset=offset, datatype=kind, count=count)
                                  for name, offset, kind, count in _CLOUD_LAYOUT],
                          point_step=POINT.itemsize, row_step=points.nbytes,
                          is_dense=False)
    message.data = _bytes(points.tobytes())
    return message


def markers_from_cloud(message):
    """MarkerField of a PointCloud2 as `cloud_message` makes it.

    Raises
    ------
    DataError
        Other fields, wrong amount of data, or a position that is not finite.
    """
    layout = [(field.name, field.offset, field.datatype, field.count) for field in message.fields]
    if layout != _CLOUD_LAYOUT or message.is_bigendian or message.point_step != POINT.itemsize:
        raise DataError('wrong point cloud', found=[field.name for field in message.fields],
                        expected='x y z dx dy dz (float32) and id (int32), little-endian, '
                                 f'{POINT.itemsize} bytes a point')
    if len(message.data) != message.width * message.height * POINT.itemsize:
        raise DataError('wrong amount of point cloud data', found=len(message.data),
                        expected=message.width * message.height * POINT.itemsize)
    points = np.frombuffer(message.data, POINT)
    rest = np.stack([points['x'], points['y']], axis=1)
    displacement = np.stack([points['dx'], points['dy']], axis=1)
    if not np.isfinite(rest).all() or np.isinf(displacement).any():
        raise DataError('marker position is not finite')
    displacement[np.isnan(displacement).any(axis=1)] = np.nan
    return MarkerField(points['id'].astype(np.int32), rest, displacement)


def reference_messages(reference, header):
    """Image messages of a reference: mean, noise."""
    return (image_message(reference.mean_q8, 'bgr16', header),
            image_message(reference.noise_q8, 'bgr16', header))


def reference_from_messages(mean, noise, frames, shape):
    """Reference of its two messages; DataError if they do not fit (see `image_from_message`)."""
    return Reference(image_from_message(mean, 'bgr16', shape),
                     image_from_message(noise, 'bgr16', shape), frames)


def visualization_message(contact, estimate, header):
    """MarkerArray: force arrow at the contact centroid, and a disc as large as the contact.

    What is not shown anew vanishes after `_SHOWN`: a finger that is gone must not seem to press.
    """
    arrow = Marker(header=header, ns='force', type=Marker.ARROW, color=_ARROW_COLOUR)
    patch = Marker(header=header, ns='contact', type=Marker.CYLINDER, color=_PATCH_COLOUR)
    if contact.in_contact:
        start = np.array([*contact.centroid, 0.0])
        arrow.points = [_point(start), _point(start + METRES_PER_NEWTON * estimate.wrench[:3])]
        arrow.scale.x, arrow.scale.y = 0.001, 0.002          # shaft and head diameter, m
        patch.pose.position = _point(start)
        patch.scale.x = patch.scale.y = 2 * float(np.sqrt(contact.area / np.pi))
        patch.scale.z = 0.0002
        arrow.lifetime = patch.lifetime = _SHOWN
    else:
        arrow.action = patch.action = Marker.DELETE
    return MarkerArray(markers=[arrow, patch])


def _point(xyz):
    return Point(x=float(xyz[0]), y=float(xyz[1]), z=float(xyz[2]))


def _bytes(values):
    """array.array of a contiguous array or bytes: the only fast way into a message's data."""
    data = array.array('B')
    data.frombytes(memoryview(values).cast('B'))
    return data
