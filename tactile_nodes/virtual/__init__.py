# SPDX-License-Identifier: Apache-2.0
"""The virtual fingertip: elastic skin, lights and camera, with the truth known."""
