"""Settings for all tests."""

from __future__ import annotations

import os
from typing import Any

from hypothesis import HealthCheck, settings

pytest_plugins = ["browsers"]

# The gate must give the same answer for the same code; at a desk every run tries other examples.
# There are no time limits, neither for an example nor for making one.
NO_LIMITS: dict[str, Any] = {"deadline": None, "suppress_health_check": [HealthCheck.too_slow]}
settings.register_profile("gate", derandomize=True, **NO_LIMITS)
settings.register_profile("desk", **NO_LIMITS)
settings.load_profile("gate" if os.environ.get("CI") else "desk")
