"""The text card of a set: what each file is for, what it is off by, and what follows in post."""

from __future__ import annotations

import shlex
import textwrap
from collections.abc import Iterator
from pathlib import Path

from gradeprep._version import __version__
from gradeprep.model.documents.compensation import CompensationDocument, Format, TransformDocument

__all__ = ["card_text", "error_text", "range_text"]

_KINDS: dict[Format, str] = {"clf": "CLF", "1d": "1D .cube", "3d": "3D .cube"}

_COMMAND = "  gradeprep pull"

_WHERE = """\
Load one where the picture is looked at, never where it is recorded: the recording stays hot, and
its shadows stay clean. Signals are full range: code 0 to 1 is 0 to 1023 in 10 bits; a monitor
that is fed another range must be set to it."""

_WATCH = """\
A clipped white looks grey behind a compensation. Watch for clipping on the signal before it: the
camera's own indication and the crew's judgement decide."""


def card_text(found: CompensationDocument) -> str:
    """The card of a set, plain text, lines under 100 letters."""
    out = f"{found.display}, {found.view}" if found.display else "the same log"
    blocks = [
        f"Compensation for recordings in {found.space}\n"
        f"In: {found.space}. Out: {out}.\n"
        f"Made by gradeprep {__version__} from {found.config}\n"
        f"(SHA-256 of the config {found.sha256})",
        _WHERE,
        "In post, the pull is the same number:\n" + "\n".join(_pulls(found)),
        *(_file(one, log=found.display is None) for one in found.files),
        *(f"{Path(one.file).name}: not handed out: {one.why}" for one in found.refused),
        *(f"Left out: {one}" for one in found.left_out),
        _WATCH,
    ]
    return "\n\n".join(_wrapped(block) for block in blocks) + "\n"


def _pulls(found: CompensationDocument) -> Iterator[str]:
    config = "" if found.config.startswith("ocio:") else f" --config {shlex.quote(found.config)}"
    for stops in dict.fromkeys(one.stops for one in found.files):
        yield f"{_COMMAND} IN OUT --stops {stops:g} --space {shlex.quote(found.space)}{config}"


def _file(found: TransformDocument, *, log: bool) -> str:
    size = f" of {found.size}" if found.size else ""
    way = "formulas" if found.formula else "a sampled table"
    after = "Put the monitor's own view behind it." if log else "The view is in it: none behind it."
    return (
        f"{Path(found.file).name}\n"
        f"  For a recording {_hot(found.stops)}. {_KINDS[found.format]}{size}, {way}. {after}\n"
        f"  Largest error: {error_text(found)}.\n"
        f"  Range: {range_text(found)}."
    )


def _hot(stops: float) -> str:
    if stops == 0:
        return "at normal exposure"
    unit = "stop" if abs(stops) == 1 else "stops"
    return f"{abs(stops):g} {unit} {'hot' if stops < 0 else 'under'}"


def error_text(found: TransformDocument) -> str:
    """What a file is off by, in words."""
    if found.error_stops is not None:
        return (
            f"{found.error_stops:.6f} stops from 6 stops under grey up, "
            f"{found.error_codes:.3f} of a 10-bit code anywhere"
        )
    return (
        f"{found.error_neutral:.2f} of a 10-bit code on neutrals, {found.error_colours:.1f} on 99 "
        f"of 100 unclipped colours, {found.error_codes:.1f} anywhere"
    )


def range_text(found: TransformDocument) -> str:
    """What a file does with codes under 0 and over 1, in words."""
    top = f"code 1, {found.ceiling:+.2f} stops from grey recorded, {found.ceiling_shown:+.2f} shown"
    if found.clamps:
        return f"clamps under code 0 and over {top}"
    return f"goes on past code 0 and past {top}"


def _wrapped(block: str) -> str:
    """A block with long lines broken, but for commands, which somebody may copy."""
    return "\n".join(
        line
        if line.startswith(_COMMAND)
        else textwrap.fill(line, 98, subsequent_indent="  ", break_long_words=False)
        for line in block.splitlines()
    )
