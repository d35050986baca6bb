"""Which tests look after which module; those that notice most, fastest, come first."""

from __future__ import annotations

__all__ = ["SUITES"]

_ATOMIC = (
    "tests/plates/test_atomic.py",
    "tests/runners/test_folder.py",
    "tests/cli/test_write_faults.py",
)
_DPX = (
    "tests/plates/test_dpx.py",
    "tests/plates/test_dpxheader.py",
    "tests/cli/test_bad_plates.py",
)
_STAGES = ("tests/pipeline/test_decision.py", "tests/pipeline/test_kernels.py")


def _kernel(first: str) -> tuple[str, ...]:
    """All tests of kernels, those of this file before the others."""
    names = ("counted", "halves", "tonegain", "decision", "kernels", "curve_kernel")
    others = (name for name in names if name != first)
    files = (f"tests/pipeline/test_{name}.py" for name in (first, *others))
    return (*files, "tests/test_exactness.py", "tests/test_spaces.py")


SUITES = {
    "gradeprep/plates/atomic.py": _ATOMIC,
    **{f"gradeprep/plates/{name}.py": _DPX for name in ("dpx", "dpxelement", "dpxpack")},
    "gradeprep/plates/dpxheader.py": ("tests/plates/test_dpxheader.py", *_DPX),
    **{
        f"gradeprep/stages/{name}.py": (f"tests/stages/test_{name}.py", *_STAGES)
        for name in ("pull", "lift", "balance")
    },
    **{
        f"gradeprep/pipeline/{name}.py": _kernel(name)
        for name in ("halves", "tonegain", "decision", "kernels")
    },
    **{
        f"gradeprep/pipeline/{name}.py": _kernel("kernels")
        for name in ("plaingains", "light", "samples", "codetable")
    },
}
