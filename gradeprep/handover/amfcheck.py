"""Whether an AMF is one: by the Academy's schema where it is at hand, else by its structure."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from xml.etree import ElementTree

from gradeprep.errors import RequestError, WriteError
from gradeprep.handover.ascxml import NAMESPACE as CDL
from gradeprep.handover.ascxml import Element

__all__ = ["AMF", "STRUCTURE", "Check", "by_schema", "by_structure", "tree_of"]

AMF = "urn:ampas:aces:amf:v2.0"
"""Namespace of S-2019-001, version 2.0."""

SCHEMA = "acesMetadataFile.xsd"

STRUCTURE = "its structure is that of S-2019-001 (for the schema itself say --xsd DIR)"

Check = Callable[[Path], str]
"""Passes a written file and says how it was checked; `WriteError` where it is not right."""

# Children in the order of S-2019-001; those with a '!' must be there. A form of a transform that
# this program never writes is not listed, and so is refused.
_SOURCE = ("description", "hash", "file", "transformId")
_DATES = ("creationDateTime!", "modificationDateTime!")
_CHILDREN = {
    "acesMetadataFile": ("amfInfo!", "clipId", "pipeline!"),
    "amfInfo": ("description", "dateTime!", "uuid!"),
    "dateTime": _DATES,
    "clipId": ("clipName!", "sequence", "file"),
    "pipeline": ("pipelineInfo!", "inputTransform", "lookTransform", "workingLocation"),
    "pipelineInfo": ("description", "dateTime!", "uuid!", "systemVersion!"),
    "systemVersion": ("majorVersion!", "minorVersion!", "patchVersion!"),
    "inputTransform": _SOURCE,
    "lookTransform": ("description", "hash", "cdlWorkingSpace!", "SOPNode!", "SatNode!"),
    "cdlWorkingSpace": ("toCdlWorkingSpace", "fromCdlWorkingSpace!"),
    "toCdlWorkingSpace": _SOURCE,
    "fromCdlWorkingSpace": _SOURCE,
    "SOPNode": ("Slope!", "Offset!", "Power!"),
    "SatNode": ("Saturation!",),
}
_APPLIED = ("inputTransform", "lookTransform")


def tree_of(path: Path) -> Element:
    """Root of a written document.

    Raises:
        WriteError: It is not XML.
    """
    try:
        return ElementTree.parse(path).getroot()
    except ElementTree.ParseError as error:
        raise WriteError(f"does not read back as XML: {error}", file=path) from error


def by_structure(path: Path) -> str:
    """Check elements, their order, and what S-2019-001 requires.

    Raises:
        WriteError: It is not so.
    """
    root = tree_of(path)
    problem = next(_problems(root), "")
    if root.tag != f"{{{AMF}}}acesMetadataFile" or root.get("version") != "2.0":
        problem = "its root is no acesMetadataFile of version 2.0"
    if problem:
        raise WriteError(f"is no AMF: {problem}", file=path)
    return STRUCTURE


def _problems(parent: Element) -> Iterator[str]:
    name = _local(parent)
    wanted = _CHILDREN.get(name)
    if wanted is None:
        if len(parent):
            yield f"{name} holds other elements"
        return
    names = [word.rstrip("!") for word in wanted]
    there = [_local(child) for child in parent]
    for word in wanted:
        if word.endswith("!") and word[:-1] not in there:
            yield f"{name} has no {word[:-1]}"
    if there != [word for word in names if word in there]:
        yield f"{name} holds {', '.join(there)}; the order is {', '.join(names)}"
    if name in _APPLIED and parent.get("applied") not in ("true", "false"):
        yield f"{name} does not say whether it is applied"
    for child in parent:
        yield from _problems(child)


def _local(element: Element) -> str:
    namespace, _, name = element.tag.rpartition("}")
    home = CDL if name[:1].isupper() else AMF
    return name if namespace == f"{{{home}" else element.tag


def by_schema(folder: Path) -> Check:
    """A check against the Academy's XSD, read now.

    Args:
        folder: Where ``acesMetadataFile.xsd`` and the schemas that it imports are.

    Raises:
        RequestError: It is not there, is no schema, or the package that reads it is missing.
    """
    try:
        from lxml import etree
    except ImportError as error:
        raise RequestError(
            f"the schema needs one more package ({error})",
            key="--xsd",
            remedy="pip install 'gradeprep[conform]', or leave it out",
        ) from error
    file = folder / SCHEMA
    if not file.is_file():
        remedy = f"name the folder that holds {SCHEMA} and what it imports"
        raise RequestError("there is no such schema", key="--xsd", file=file, remedy=remedy)
    parser = etree.XMLParser(no_network=True)
    try:
        schema = etree.XMLSchema(etree.parse(file, parser))
    except (etree.XMLSyntaxError, etree.XMLSchemaParseError) as error:
        remedy = "put the schemas that it imports beside it"
        what = f"does not load: {error}"
        raise RequestError(what, key="--xsd", file=file, remedy=remedy) from error

    def check(path: Path) -> str:
        try:
            schema.assertValid(etree.parse(path, parser))
        except (etree.XMLSyntaxError, etree.DocumentInvalid) as error:
            raise WriteError(f"is no AMF: {error}", file=path) from error
        return f"valid against {SCHEMA}"

    return check
