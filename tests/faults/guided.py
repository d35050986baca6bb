"""``python -m tests.faults.guided TARGET CORPUS RUNS SEED``: one target under the engine."""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["gradeprep", "yaml", "csv"]):
    from gradeprep.errors import GradeprepError

    from .bounded import SECONDS
    from .targets import TARGETS


def main() -> None:
    """Ends with 0 where nothing was found."""
    name, corpus, runs, seed = sys.argv[1:]
    target = TARGETS[name]
    path = Path(tempfile.mkdtemp()) / f"input{target.suffix}"

    def once(raw: bytes) -> None:
        path.write_bytes(raw)
        try:
            target.read(path)
        except (GradeprepError, *target.refuses):
            pass

    told = (f"-runs={runs}", f"-seed={seed}", f"-timeout={SECONDS}", "-rss_limit_mb=4096")
    atheris.Setup([sys.argv[0], corpus, *told, f"-artifact_prefix={corpus}-found-"], once)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
