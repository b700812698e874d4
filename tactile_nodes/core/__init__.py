# SPDX-License-Identifier: Apache-2.0
"""The numeric core: arrays in, arrays out; no ROS, no files, no clock."""
