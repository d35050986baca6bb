"""Timecode labels as counts of frames, drop-frame included (SMPTE ST 12-1).

Drop-frame leaves out labels, not frames: the first two of every minute (four at 60 labels a
second) but the tenth, so that labels keep up with the clock at 30000/1001 frames a second.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from fractions import Fraction

__all__ = ["breaks", "count", "day", "label", "rate"]

_LABEL = re.compile(r"(\d\d):(\d\d):(\d\d)([:;])(\d\d)")
_HIGHEST_RATE = 1000


def rate(text: str) -> Fraction | None:
    """Frames a second of a text such as ``24``, ``24000/1001`` or ``23.976``; None for no rate.

    >>> rate("23.976") == rate("24000/1001")
    True
    """
    try:
        found = Fraction(text)
    except (ValueError, ZeroDivisionError):
        return None
    if not 0 < found <= _HIGHEST_RATE:
        return None
    nominal = round(found)
    slowed = Fraction(nominal * 1000, 1001)
    return slowed if abs(found - slowed) < Fraction(5, 1000) else found


def count(text: str, nominal: int) -> int | None:
    """Frames from 00:00:00:00 to a label; None for a label that this rate does not have.

    Args:
        text: ``HH:MM:SS:FF``, or ``HH:MM:SS;FF`` for drop-frame.
        nominal: Labels a second.

    >>> count("00:01:00;02", 30) - count("00:00:59;29", 30)
    1
    """
    match = _LABEL.fullmatch(text)
    if match is None:
        return None
    hours, minutes, seconds, frames = (int(match[i]) for i in (1, 2, 3, 5))
    if hours > 23 or minutes > 59 or seconds > 59 or frames >= nominal:
        return None
    total = ((hours * 60 + minutes) * 60 + seconds) * nominal + frames
    if match[4] == ":":
        return total
    left_out = _left_out(nominal)
    if not left_out or (minutes % 10 and not seconds and frames < left_out):
        return None
    all_minutes = hours * 60 + minutes
    return total - left_out * (all_minutes - all_minutes // 10)


def label(frames: int, nominal: int, *, drop: bool) -> str:
    """Label of a count of frames; it starts again after 24 hours.

    >>> label(1800, 30, drop=True)
    '00:01:00;02'
    """
    left_out = _left_out(nominal) if drop else 0
    frames %= day(nominal, drop=drop)
    if left_out:
        minute, ten = 60 * nominal - left_out, 600 * nominal - 9 * left_out
        tens, rest = divmod(frames, ten)
        frames += 9 * left_out * tens + left_out * max(0, (rest - left_out) // minute)
    seconds, frames = divmod(frames, nominal)
    minutes, seconds = divmod(seconds, 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours:02d}:{minutes:02d}:{seconds:02d}{';' if left_out else ':'}{frames:02d}"


def breaks(labels: Mapping[int, str], frames_a_second: Fraction) -> dict[int, str]:
    """Frames whose label does not follow from the frame before, and the label that would.

    Over 30 frames a second labels may count pairs of frames, as ST 12-1 has it, or frames:
    whichever leaves fewer breaks is taken.

    Args:
        labels: Frame number to label, in the order of frames.
        frames_a_second: The plate's rate.
    """
    nominal = round(frames_a_second)
    found = _breaks(labels, nominal, 1, 0)
    if nominal > 30 and nominal % 2 == 0 and found:
        pairs = (_breaks(labels, nominal // 2, 2, phase) for phase in (0, 1))
        found = min(found, *pairs, key=len)
    return found


def day(nominal: int, *, drop: bool) -> int:
    """Frames of 24 hours: after them labels start again."""
    left_out = _left_out(nominal) if drop else 0
    return 86_400 * nominal - left_out * 9 * 144


def _breaks(labels: Mapping[int, str], nominal: int, per_label: int, phase: int) -> dict[int, str]:
    """Breaks where a label stands for some frames, the first one being the ``phase``-th of them."""
    found: dict[int, str] = {}
    start: tuple[int, int, bool] | None = None
    for frame, text in labels.items():
        here, drop = count(text, nominal), ";" in text
        if here is None:
            found[frame] = f"a label that {nominal} a second has"
            continue
        if start is not None:
            first, origin, dropped = start
            expected = origin + (frame - first + phase) // per_label
            if drop != dropped or (here - expected) % day(nominal, drop=drop):
                found[frame] = label(expected, nominal, drop=dropped)
                start = None
        if start is None:
            start = (frame, here, drop)
    return found


def _left_out(nominal: int) -> int:
    """Labels left out at a minute of drop-frame; none where there is no drop-frame."""
    return {30: 2, 60: 4}.get(nominal, 0)
