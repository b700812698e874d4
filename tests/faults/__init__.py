# SPDX-License-Identifier: Apache-2.0
"""What a running hand must survive: faults put in on purpose, and what then has to hold."""
