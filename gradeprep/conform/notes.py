"""Notes of an edit decision list: which line gives a name, a file, a reel, a CDL, a marker.

The notes of a clip's name, file and ASC CDL after an event are common practice without a standard.
Writers differ in case, in the leading ``*``, and in what stands between key and text: ``:``,
``IS``, or only a space.
"""

from __future__ import annotations

import re

from gradeprep.model.documents.conform import Marker

__all__ = ["marker", "note"]

_KEYS = {
    "FROM CLIP NAME": "from clip",
    "TO CLIP NAME": "to clip",
    "CLIP NAME": "from clip",
    "SOURCE FILE": "file",
    "SOURCE FILE NAME": "file",
    "FROM FILE": "from file",
    "TO FILE": "file",
    "ASC_SOP": "sop",
    "ASC SOP": "sop",
    "ASC_SAT": "saturation",
    "ASC SAT": "saturation",
    "LOC": "marker",
    "FREEZE FRAME": "freeze",
    "EFFECTS NAME": "effect",
    "EFFECT NAME": "effect",
}
_REELS = ("REEL", "REEL NAME", "SOURCE REEL", "TAPE", "TAPE NAME", "SOURCE TAPE")


def _pattern(keys: tuple[str, ...], between: str) -> re.Pattern[str]:
    words = "|".join(sorted((key.replace(" ", r"\s+") for key in keys), key=len, reverse=True))
    return re.compile(rf"\s*\**\s*(?P<key>{words}){between}(?P<text>.*)", re.IGNORECASE)


_NOTE = _pattern(tuple(_KEYS), r"\s*(?:(?:\s+is\b\s*)?:|\s+is\b|(?=[\s(\d.+-])|$)\s*")
_REEL = _pattern(_REELS, r"\s*(?::|\s+is\b)\s*")  # a plain "REEL ..." may begin any comment
_MARKER = re.compile(
    r"(?P<at>\d\d:\d\d:\d\d[:;]\d\d)(?:\s+(?P<colour>[A-Za-z]+)(?=\s|$))?\s*(?P<name>.*)"
)


def note(text: str) -> tuple[str, str] | None:
    """Meaning and text of a line; None for a line with no meaning here.

    >>> note("from clip name is quay_0100")
    ('from clip', 'quay_0100')
    >>> note("*ASC_SAT 0.9")
    ('saturation', '0.9')
    """
    if match := _REEL.fullmatch(text):
        return "reel", match["text"].strip()
    if match := _NOTE.fullmatch(text):
        return _KEYS[" ".join(match["key"].upper().split())], match["text"].strip()
    return None


def marker(text: str) -> Marker | None:
    """The marker of a ``LOC`` note: a label in the record, a colour, a text."""
    match = _MARKER.fullmatch(text)
    if match is None:
        return None
    return Marker(start=match["at"], colour=match["colour"] or "", name=match["name"].strip())
