"""Settings for all tests."""

from __future__ import annotations

import os

from hypothesis import settings

pytest_plugins = ["browsers"]

# The gate must give the same answer for the same code; at a desk every run tries other examples.
# There are no time limits.
settings.register_profile("gate", derandomize=True, deadline=None)
settings.register_profile("desk", deadline=None)
settings.load_profile("gate" if os.environ.get("CI") else "desk")
