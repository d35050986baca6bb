"""The fault suite: kills, full disks, torn and hostile files, and what is left after each.

``python -m tests.faults --help`` from the checkout. A small part runs with the other tests.
Everything is drawn from a seed, so that a failure can be had again.
"""

from __future__ import annotations

import sys
from pathlib import Path

__all__ = ["TESTS"]

TESTS = Path(__file__).parents[1]
"""Where the helpers of all tests stand."""

if str(TESTS) not in sys.path:
    sys.path.insert(0, str(TESTS))
