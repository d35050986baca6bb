"""Contract tests: one line in a plugin's own tests holds it against what it promises.

::

    from gradeprep.plugins.testing import check_stage

    def test_contract():
        check_stage(Contrast, {"slope": 1.5})

Each of the four goes through its kind's contract, clause by clause (`CLAUSES`), and raises
`BrokenContract`, an ``AssertionError`` with one line, at the first clause that does not hold.
Nothing here needs pytest.
"""

from __future__ import annotations

from gradeprep.plugins.testing.check import check_check
from gradeprep.plugins.testing.clauses import CLAUSES, BrokenContract
from gradeprep.plugins.testing.handover import check_handover
from gradeprep.plugins.testing.meter import check_meter
from gradeprep.plugins.testing.plate import LINEAR, MemoryPlate
from gradeprep.plugins.testing.samples import decided_shots, hot_plate
from gradeprep.plugins.testing.stage import check_stage

__all__ = [
    "CLAUSES",
    "LINEAR",
    "BrokenContract",
    "MemoryPlate",
    "check_check",
    "check_handover",
    "check_meter",
    "check_stage",
    "decided_shots",
    "hot_plate",
]
