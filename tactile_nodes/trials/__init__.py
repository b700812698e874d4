# SPDX-License-Identifier: Apache-2.0
"""Bags of grasp trials."""
