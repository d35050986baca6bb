"""ASC CDL in XML (release 1.2, namespace of 1.01): the nodes of a gain, and the text of a tree."""

from __future__ import annotations

from collections.abc import Iterable
from xml.etree import ElementTree

__all__ = ["NAMESPACE", "Element", "added", "gain_nodes", "numbers", "text_of"]

NAMESPACE = "urn:ASC:CDL:v1.01"

Element = ElementTree.Element


def added(parent: Element, tag: str, text: str = "", **attributes: str) -> Element:
    """A new last child."""
    child = ElementTree.SubElement(parent, tag, attributes)
    child.text = text or None
    return child


def gain_nodes(parent: Element, gains: Iterable[float], prefix: str = "") -> None:
    """Add a gain: slope, no offset, power 1, saturation 1; exact to the last bit of a double.

    Both nodes are written, since AMF asks for both (S-2019-001).
    """
    sop = added(parent, f"{prefix}SOPNode")
    added(sop, f"{prefix}Slope", " ".join(f"{gain:.17g}" for gain in gains))
    added(sop, f"{prefix}Offset", "0 0 0")
    added(sop, f"{prefix}Power", "1 1 1")
    saturation = added(parent, f"{prefix}SatNode")
    added(saturation, f"{prefix}Saturation", "1")


def numbers(parent: Element, path: str) -> tuple[float, ...]:
    """Numbers of a descendant, whose names in the path are in the namespace; none without it.

    >>> tree = ElementTree.fromstring(f'<a xmlns="{NAMESPACE}"><Slope>1 2 .5</Slope></a>')
    >>> numbers(tree, "Slope")
    (1.0, 2.0, 0.5)
    """
    found = parent.find("/".join(f"{{{NAMESPACE}}}{name}" for name in path.split("/")))
    return () if found is None else tuple(float(word) for word in (found.text or "").split())


def text_of(root: Element) -> str:
    """The tree as an indented XML document."""
    ElementTree.indent(root)
    body = ElementTree.tostring(root, encoding="unicode")
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{body}\n'
