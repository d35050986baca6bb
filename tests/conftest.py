"""One rule for every property test: the same examples on every machine, and no clock."""

from __future__ import annotations

from hypothesis import settings

settings.register_profile("steady", derandomize=True, deadline=None, database=None)
settings.load_profile("steady")
