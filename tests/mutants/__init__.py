"""Small faults put into the program on purpose: each must make a test fail.

``python -m tests.mutants --help`` from the checkout. What changes nothing that anybody could
notice stands in ``unnoticed.toml`` with its reason; anything else that survives is a gap.
"""

from __future__ import annotations

from pathlib import Path

__all__ = ["ROOT"]

ROOT = Path(__file__).parents[2]
"""The checkout."""
