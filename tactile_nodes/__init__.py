# SPDX-License-Identifier: Apache-2.0
"""Camera-based tactile fingertips for ROS 2: video in, contact, marker motion and wrench out."""

import os

# of an image file that is decoded: a small one can claim to be larger than the memory
os.environ.setdefault('OPENCV_IO_MAX_IMAGE_PIXELS', str(4096 * 4096))

__version__ = '0.1.0'
