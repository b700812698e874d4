# SPDX-License-Identifier: Apache-2.0
"""The force node says when a force is outside of the calibrated range."""

from dataclasses import replace

import numpy as np
import pytest
from rclpy.parameter import Parameter

from tactile_nodes.core.force_model import FEATURES, Correction, ForceModel
from tactile_nodes.core.pipeline import FingerPipeline
from tactile_nodes.core.reference import ReferenceBuilder
from tactile_nodes.files.calibration import read_calibration, write_calibration
from tactile_nodes.nodes.force_node import ForceNode
from tests.nodes.replay import REFERENCE_FRAMES

RANGE = np.array([4.0, 4.0, 0.5, 0.02, 0.02, 0.02])     # N and N*m


@pytest.fixture
def narrow(calibration, tmp_path):
    """A calibration to 0.5 N only."""
    zeros = np.zeros(6)
    model = ForceModel(1.0, 0.1, correction=Correction(
        np.zeros((6, len(FEATURES))), np.full(6, 0.01), zeros, zeros, RANGE))
    path = tmp_path / 'narrow.yaml'
    write_calibration(path, replace(read_calibration(calibration), force=model))
    return path


def test_a_force_beyond_the_range_is_published_marked_and_less_certain(ros, frames, options,
                                                                       narrow):
    options['parameter_overrides'].append(Parameter('calibration_file', value=str(narrow)))
    node = ForceNode(subscribe=False, **options)
    known = read_calibration(narrow)
    pipeline = FingerPipeline(known.geometry, known.elastomer, known.shading, known.force)
    builder = ReferenceBuilder(known.geometry.shape)
    for frame in frames[:REFERENCE_FRAMES]:
        builder.add(frame.image)
    pipeline.set_reference(builder.finish())
    harder = min(frames, key=lambda frame: frame.truth.wrench[2])
    for frame, marked in ((frames[0], False), (harder, True), (frames[0], False)):
        contact, markers, _ = pipeline.process(frame.image, frame.stamp_ns)
        estimate = node.process(contact, markers, frame.stamp_ns)
        level, text, _ = node.status()
        assert (estimate.wrench[2] < -RANGE[2]) == marked
        assert (estimate.sd[2] > 0.02) == marked      # 0.01 in the range, doubled 10 % beyond
        assert ('fz beyond the calibrated range' in text) == marked
        assert (level == b'\x01') == marked
    node.destroy_node()
