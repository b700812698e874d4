# SPDX-License-Identifier: Apache-2.0
"""The tactile command, one file per subcommand."""
