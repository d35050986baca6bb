"""A plate in memory, for tests of meters and checks."""

from __future__ import annotations

from gradeprep.plugins.testing.plate import AP1_WEIGHTS, LINEAR, MemoryPlate

__all__ = ["AP1_WEIGHTS", "LINEAR", "FakeView"]

FakeView = MemoryPlate
