# SPDX-License-Identifier: Apache-2.0
"""From a hand file to running processes."""
