# SPDX-License-Identifier: Apache-2.0
"""Thin rclpy nodes around the core."""
