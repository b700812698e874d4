# SPDX-License-Identifier: Apache-2.0
"""A USB fingertip made of software, plugged into the kernel's virtual host controller."""
