# SPDX-License-Identifier: Apache-2.0
"""YAML files, each read into a frozen dataclass and checked in one way."""
