# SPDX-License-Identifier: Apache-2.0
"""Camera-based tactile fingertips for ROS 2: video in, contact, marker motion and wrench out."""

import os

# A finger is one process with one busy thread: the libraries' own thread pools would only fight
# over the machine's cores with the other fingers. And how many threads share a product decides its
# last digits, which are to be the same live and offline. Read when NumPy is imported.
for _variable in ('OMP_NUM_THREADS', 'OPENBLAS_NUM_THREADS'):
    os.environ.setdefault(_variable, '1')
# of an image file that is decoded: a small one can claim to be larger than the memory
os.environ.setdefault('OPENCV_IO_MAX_IMAGE_PIXELS', str(4096 * 4096))

__version__ = '0.1.0'
