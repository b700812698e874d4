# SPDX-License-Identifier: Apache-2.0
import dataclasses

import numpy as np
import pytest

from tactile_nodes.core.depth import TERMS, ShadingModel, SteepShading
from tactile_nodes.core.floor import FloorFinder
from tactile_nodes.core.geometry import ImageGeometry

WORK = ImageGeometry(120, 160, 0.12e-3)
X, Y = np.meshgrid(*WORK.axes())
DEPTH, DARKENING = 0.8e-3, 90.0              # m and 1/m: lamps 11 mm behind the skin
EYE, ZEROS = np.eye(3), np.zeros((3, TERMS))
STEEP = SteepShading(1.8, ZEROS, ZEROS, [0.3] * 3, [0.1] * 3, EYE, [DARKENING, 20.0, 0], 2e-3)
BARE = np.ones(X.size, bool)


def finder(**changes):
    steep = dataclasses.replace(STEEP, **changes)
    return FloorFinder(ShadingModel(1.2, ZEROS, ZEROS, 0.01, steep), WORK)


def box(found=DEPTH):
    """Depth of a box 6 by 4 mm with sides 0.4 mm wide, its squared slope, and brightness."""
    inside = np.minimum(3e-3 - np.abs(X - 2e-3), 2e-3 - np.abs(Y))
    depth = (found * np.clip(inside / 0.4e-3 + 1, 0, 1)).astype(np.float32)
    slope = np.where((inside > -0.4e-3) & (inside < 0), found / 0.4e-3, 0)
    darkening = DARKENING + 20 * X / (80 * WORK.metres_per_px)
    rng = np.random.default_rng(3)
    light = np.exp(-darkening * depth / found * DEPTH + rng.normal(0, 0.015, X.shape))
    light[slope > 0] *= 0.5
    return depth, np.float32(slope**2), (light ** (1.2 / 1.8)).astype(np.float32)


def test_floor_is_as_dark_as_it_lies_deep_and_keeps_clear_of_the_sides():
    depth, steepness, brightness = box()
    floor = finder().find(depth, steepness, BARE, brightness)
    distance = np.minimum(3e-3 - np.abs(X - 2e-3), 2e-3 - np.abs(Y)).ravel()[floor.cells]
    assert 3 * WORK.metres_per_px - 1e-9 < distance.min() < 0.5e-3
    assert floor.depth == pytest.approx(DEPTH)
    expected = DEPTH * (DARKENING + 20 * 2e-3 / (80 * WORK.metres_per_px))
    assert abs(floor.dark - expected) < 3 * floor.dark_sd < 3e-3
    np.testing.assert_allclose(floor.place, [1, 2e-3 / (80 * WORK.metres_per_px), 0], atol=0.01)


def test_depth_that_was_lost_at_the_sides_comes_back():
    """Found 0.6 of 0.8 mm, 0.5 of it over the sides: 0.4 of their height is missing."""
    found = 0.6e-3
    floor = finder().find(*box(found)[:2], BARE, box(found)[2])
    assert finder().lost(floor, 0.5e-3) == pytest.approx(0.4, abs=0.03)
    assert finder(darkening_sd=0.02).lost(floor, 0.5e-3) < 0.15      # not sure: hardly believed
    assert finder().lost(floor, 0.05e-3) == 0                        # hardly any sides
    assert finder(darkening=[9.0, 0, 0]).lost(floor, 0.5e-3) == pytest.approx(1.2)
    deeper = floor._replace(depth=0.9e-3)
    assert finder().lost(deeper, 0.5e-3) == 0                        # never made less
    assert finder(darkening=[-90.0, 0, 0]).lost(floor, 0.5e-3) == 0  # brighter, and here darker


def test_no_floor_between_ridges_on_print_or_without_a_model():
    depth = (0.4e-3 * (1 + np.cos(2 * np.pi * X / 1e-3))).astype(np.float32)
    slope = 0.4e-3 * 2 * np.pi / 1e-3 * np.sin(2 * np.pi * X / 1e-3)
    light = np.ones(X.shape, np.float32)
    assert finder().find(depth, np.float32(slope**2), BARE, light) is None
    assert finder().find(*box()[:2], ~BARE, light) is None
    assert finder().darkens and not finder(darkening=[0, 0, 0]).darkens
