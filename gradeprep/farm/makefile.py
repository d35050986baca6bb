"""A bundle as a Makefile, for whatever else there is: one machine, or many that share a disk.

It holds numbers only: make takes spaces, dollars and colons in names for its own.
"""

from __future__ import annotations

import textwrap

from gradeprep.model.bundle import Manifest

__all__ = ["files"]

_TEXT = """\
# make -C THIS_FOLDER -j8 -k
#
# Makes the frames chunk by chunk, and collects the shots once all are there. A stamp in done/ says
# that a chunk is done; what was killed or failed is made by the next make. For GNU make.
#
# GRADEPREP  the program
# JOBS       frames at once in one chunk
# PLACE      where folders are: --map FROM=TO ..., quoted as a shell wants it
GRADEPREP ?= gradeprep
JOBS ?= 1
PLACE ?=

CHUNKS := \\
{chunks}
STAMPS := $(CHUNKS:%=done/%)

.PHONY: all
all: done/collect

done/collect: $(STAMPS)
\t$(GRADEPREP) collect . $(PLACE)
\t@touch $@

$(STAMPS): done/%:
\t@mkdir -p done
\t$(GRADEPREP) chunk . --number $* --jobs $(JOBS) --quiet $(PLACE)
\t@touch $@
"""


def files(manifest: Manifest) -> dict[str, bytes]:
    """The Makefile, as a file of the bundle."""
    numbers = " ".join(str(number) for number in range(1, len(manifest.chunks) + 1))
    lines = textwrap.wrap(numbers, 96, initial_indent="  ", subsequent_indent="  ")
    return {"Makefile": _TEXT.format(chunks=" \\\n".join(lines)).encode("ascii")}
