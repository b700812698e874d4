# SPDX-License-Identifier: Apache-2.0
"""Camera-based tactile fingertips for ROS 2: video in, contact, marker motion and wrench out."""

__version__ = '0.1.0'
