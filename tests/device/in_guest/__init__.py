# SPDX-License-Identifier: Apache-2.0
"""Tests that need a kernel with USB; `tests/device/test_guest.py` runs them in a guest."""
