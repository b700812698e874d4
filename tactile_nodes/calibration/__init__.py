# SPDX-License-Identifier: Apache-2.0
"""Fits that turn recordings into calibrations."""
