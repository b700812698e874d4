# SPDX-License-Identifier: Apache-2.0
"""Messages of whatever content: an array of the right shape, or DataError."""

import numpy as np
import pytest

pytest.importorskip('hypothesis')

from hypothesis import given
from hypothesis import strategies as st
from sensor_msgs.msg import Image, PointCloud2, PointField

from tactile_nodes.core.types import MarkerField
from tactile_nodes.errors import DataError
from tactile_nodes.nodes import messages
from tactile_nodes.trials.run import markers_of
from tests.hostile import hostile, is_a_message
from tests.nodes.test_messages import markers

SIZES = st.one_of(st.sampled_from([0, 1, 2, 3, 2**16, 2**31, 2**32 - 1]), st.integers(0, 20))
DATA = st.binary(max_size=200)
GOOD = messages.cloud_message(messages.cloud_points(markers()), messages.header_of(1, 'tip'))


def image(height, width, encoding, order, step, data):       # noqa: PLR0917
    return Image(height=height, width=width, encoding=encoding, is_bigendian=order, step=step,
                 data=data)


@st.composite
def consistent(draw):
    """An image whose data are as long as it says; step and encoding may still be wrong."""
    height, step = draw(st.integers(0, 6)), draw(st.integers(0, 40))
    data = draw(st.binary(min_size=height * step, max_size=height * step))
    return image(height, draw(st.integers(0, 20)), draw(st.sampled_from(
        [*messages.ENCODINGS, 'rgb8'])), draw(st.integers(0, 255)), step, data)


@hostile
@given(st.one_of(consistent(), st.builds(image, SIZES, SIZES, st.one_of(
    st.sampled_from([*messages.ENCODINGS, 'rgb8', 'yuv422']), st.text(max_size=8)),
    st.integers(0, 255), SIZES, DATA)), st.sampled_from(list(messages.ENCODINGS)))
def test_images(message, encoding):
    kind, channels = messages.ENCODINGS[encoding]
    try:
        found = messages.image_from_message(message, encoding)
    except DataError as error:
        assert is_a_message(error)
        return
    assert found.dtype == kind and found.shape == (message.height, message.width) + (
        (3,) if channels == 3 else ())


@st.composite
def clouds(draw):
    """A marker cloud of which some things are others."""
    fields = list(GOOD.fields)
    if draw(st.booleans()):
        fields[draw(st.integers(0, len(fields) - 1))] = PointField(
            name=draw(st.sampled_from(['x', 'dx', 'id', 'q', ''])), offset=draw(SIZES),
            datatype=draw(st.integers(0, 255)), count=draw(SIZES))
    if draw(st.booleans()):
        fields = fields[:draw(st.integers(0, len(fields)))]
    data = bytes(GOOD.data)[:draw(st.integers(0, 300))] if draw(st.booleans()) else draw(
        st.one_of(DATA, st.integers(0, 4).flatmap(
            lambda count: st.binary(min_size=28 * count, max_size=28 * count))))
    count = draw(st.one_of(st.just(len(data) // 28), SIZES))
    return PointCloud2(fields=fields, width=count, height=draw(st.sampled_from([0, 1, 1, 1, 2])),
                       is_bigendian=draw(st.booleans()), data=data,
                       point_step=draw(st.one_of(st.just(28), SIZES)))


@hostile
@given(clouds())
def test_marker_clouds(cloud):
    for read in (messages.markers_from_cloud, markers_of):
        try:
            found = read(cloud)
        except DataError as error:
            assert is_a_message(error)
        else:
            assert isinstance(found, MarkerField) and len(found.ids) == len(found.displacement)


@hostile
@given(st.lists(st.floats(), min_size=6, max_size=6))
def test_wrenches(values):
    message = messages.wrench_message(values, messages.header_of(1, 'tip'))
    try:
        found = messages.wrench_from_message(message)
    except DataError as error:
        assert is_a_message(error) and not np.isfinite(values).all()
    else:
        assert found.tolist() == values
