# SPDX-License-Identifier: Apache-2.0
"""How well it measures: an independent model of fingertips, recordings from it, and the table."""
