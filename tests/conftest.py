"""Settings for all tests."""

from __future__ import annotations

import os

from hypothesis import settings

# The gate must give the same answer for the same code; at a desk every run tries other examples.
settings.register_profile("gate", derandomize=True)
if os.environ.get("CI"):
    settings.load_profile("gate")
