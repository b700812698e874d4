# SPDX-License-Identifier: Apache-2.0
"""Sources of frames behind one contract: virtual fingertip, recording."""
