"""AMF (Academy S-2019-001, version 2.0): the schema, its transforms, and what is applied."""

from __future__ import annotations

import base64
import hashlib
import re
from pathlib import Path
from xml.etree import ElementTree

import PyOpenColorIO as ocio
import pytest
from handed import brought_back, mend, normalized, within_half_a_code
from harbour import HARBOUR
from support import plates_folder, run

from gradeprep import colour, sidecar
from gradeprep.colour import BUILT_IN
from gradeprep.errors import WriteError
from gradeprep.handover.amfcheck import STRUCTURE, by_schema, by_structure

AMF = "{urn:ampas:aces:amf:v2.0}"
PULL = {"pull": {"stops": -2.0}}
BALANCE = {"balance": {"stops": [0.25, 0.0, -0.5]}}


def handed(capsys, path: Path, *options: object) -> tuple[Path, ElementTree.Element]:
    ran = run(capsys, "handover", path, "--as", "amf", *options)
    assert ran.code == 0, ran
    (file,) = (path.parent / "handover").glob("*.amf")
    return file, ElementTree.parse(file).getroot()


def text(root: ElementTree.Element, path: str) -> str | None:
    return root.findtext("/".join(AMF + name for name in path.split("/")))


@pytest.mark.parametrize("config", [BUILT_IN, str(HARBOUR)], ids=["ids", "files"])
@pytest.mark.parametrize("clip", ["source", "normalized"])
def test_it_follows_the_schema(config, clip, tmp_path, capsys):
    folder = plates_folder() / "editorial"
    path = normalized(capsys, tmp_path, BALANCE, PULL, space="ACEScct", config=config)
    ran = run(capsys, "handover", path, "--as", "amf", "--xsd", folder, "--clip", clip)
    assert ran.code == 0, ran
    assert "valid against acesMetadataFile.xsd" in ran.out


def test_it_tells_the_clip_the_transforms_and_the_decision(tmp_path, capsys):
    path = normalized(capsys, tmp_path, PULL, space="ACEScct", kind="dpx", frames=3)
    record = sidecar.load(path)
    _, root = handed(capsys, path)
    sequence = root.find(f"{AMF}clipId/{AMF}sequence")
    assert sequence is not None
    assert (sequence.text, sequence.attrib) == (
        "quay.####.dpx", {"idx": "#", "min": "1001", "max": "1003"},
    )  # fmt: skip
    assert text(root, "clipId/clipName") == "quay"
    into = text(root, "pipeline/inputTransform/transformId")
    assert into == "urn:ampas:aces:transformId:v2.0:CSC.Academy.ACEScct_to_ACES.a2.v1"
    look = root.find(f"{AMF}pipeline/{AMF}lookTransform")
    assert look is not None
    assert look.get("applied") == "false"
    working = "cdlWorkingSpace/{}CdlWorkingSpace/transformId"
    ids = [text(look, working.format(way)) for way in ("to", "from")]
    assert [name.rpartition(":")[2] for name in ids] == [
        "CSC.Academy.ACES_to_ACEScg.a2.v1", "CSC.Academy.ACEScg_to_ACES.a2.v1",
    ]  # fmt: skip
    assert f"Decision {record.digest}" in (text(look, "description") or "")
    assert text(look, "hash") is None  # a hash is that of a file that is named (S-2019-001)
    assert [child.tag for child in root[-1]][-1] == f"{AMF}workingLocation"  # people work after it


def test_the_same_sidecar_gives_the_same_file(tmp_path, capsys):
    path = normalized(capsys, tmp_path, PULL)
    file, root = handed(capsys, path)
    before = file.read_bytes()
    written = sidecar.load(path).dated["written"]
    assert text(root, "amfInfo/dateTime/creationDateTime") == written
    ids = [node.text for node in root.iter(f"{AMF}uuid")]
    assert len(set(ids)) == 2
    assert all(re.fullmatch(r"urn:uuid:[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}", i) for i in ids)
    handed(capsys, path, "--overwrite")
    assert file.read_bytes() == before


def test_of_the_normalized_plate_the_gain_is_marked_as_applied(tmp_path, capsys):
    path = normalized(capsys, tmp_path, PULL, space="ACEScct", output={"space": "ACES2065-1"})
    file, root = handed(capsys, path, "--clip", "normalized")
    assert file.name == "quay_normalized.amf"
    assert root.find(f"{AMF}pipeline/{AMF}inputTransform") is None  # it is ACES2065-1 already
    look = root.find(f"{AMF}pipeline/{AMF}lookTransform")
    assert look is not None
    assert look.get("applied") == "true"


def test_a_space_without_an_id_comes_as_a_clf_with_its_hash(tmp_path, capsys):
    """The whole way by OpenColorIO: file to ACES2065-1, to light, the CDL, and back."""
    path = normalized(
        capsys, tmp_path, BALANCE, PULL, space="ACEScct", config=str(HARBOUR)
    )  # a config that gives no ids
    file, root = handed(capsys, path)
    names = {}
    working = "pipeline/lookTransform/cdlWorkingSpace"
    places = {
        "input": "pipeline/inputTransform",
        "to": f"{working}/toCdlWorkingSpace",
        "from": f"{working}/fromCdlWorkingSpace",
    }
    for way, place in places.items():
        name = text(root, f"{place}/file")
        content = (file.parent / name).read_bytes()
        assert base64.b64decode(text(root, f"{place}/hash")) == hashlib.sha256(content).digest()
        names[way] = ocio.FileTransform(str(file.parent / name))
    slope = [float(w) for w in root.findtext(".//{urn:ASC:CDL:v1.01}Slope").split()]
    steps = [names["input"], names["to"], ocio.CDLTransform(slope=slope), names["from"]]
    steps.append(ocio.ColorSpaceTransform("ACES2065-1", "ACEScct"))
    theirs, ours, kind = brought_back(path, ocio.GroupTransform(steps), coded=True)
    assert within_half_a_code(theirs, ours, kind)


def test_ids_of_every_space_lead_where_they_say(tmp_path, capsys):
    """An id is taken only for the way to ACES2065-1, never for the way back."""
    path = normalized(capsys, tmp_path, PULL, frames=1)
    studio = colour.load(BUILT_IN)
    record = sidecar.load(path)
    found = 0
    for space in studio.with_encoding("log"):
        own = record.colour.model_copy(update={"source": space})
        sidecar.save(record.model_copy(update={"colour": own}), path)
        _, root = handed(capsys, path, "--overwrite")
        name = text(root, "pipeline/inputTransform/transformId")
        if name is None:
            assert text(root, "pipeline/inputTransform/file")
            continue
        assert "_to_ACES." in name
        ids = studio.config.getColorSpace(space).getInterchangeAttribute("amf_transform_ids")
        assert name in ids.split()
        found += 1
    assert found >= 8


def amf(folder: Path, capsys) -> Path:
    return handed(capsys, normalized(capsys, folder, PULL, space="ACEScct", frames=1))[0]


WRONG = {
    "no dateTime": (r"(?s)<aces:dateTime>.*?</aces:dateTime>", ""),
    "no uuid": (r"<aces:uuid>.*?</aces:uuid>", ""),
    "no date of change": (r"<aces:modificationDateTime>.*?</aces:modificationDateTime>", ""),
    "no version of ACES": (r"(?s)<aces:systemVersion>.*?</aces:systemVersion>", ""),
    "no patch": (r"<aces:patchVersion>.*?</aces:patchVersion>", ""),
    "no pipelineInfo": (r"(?s)<aces:pipelineInfo>.*?</aces:pipelineInfo>", ""),
    "no pipeline": (r"(?s)<aces:pipeline>.*?</aces:pipeline>", ""),
    "no amfInfo": (r"(?s)<aces:amfInfo>.*?</aces:amfInfo>", ""),
    "no SatNode": (r"(?s)<cdl:SatNode>.*?</cdl:SatNode>", ""),
    "no SOPNode": (r"(?s)<cdl:SOPNode>.*?</cdl:SOPNode>", ""),
    "no way back": (r"(?s)<aces:fromCdlWorkingSpace>.*?</aces:fromCdlWorkingSpace>", ""),
    "not applied nor not": (r' applied="false"', ""),
    "another version": (r'version="2.0"', 'version="1.0"'),
    "another namespace": (r"amf:v2.0", "amf:v1.0"),
    "out of order": (r"(?s)(<aces:clipName>.*?)\s*(<aces:sequence.*?</aces:sequence>)", r"\2\1"),
    "unknown": (r"<aces:clipName>", "<aces:mood/><aces:clipName>"),
}  # fmt: skip


@pytest.mark.parametrize("name", WRONG)
def test_both_checks_refuse_what_the_standard_forbids(name, tmp_path, capsys):
    file = amf(tmp_path, capsys)
    assert by_structure(file) == STRUCTURE
    pattern, new = WRONG[name]
    before = file.read_text(encoding="utf-8")
    after = re.sub(pattern, new, before, count=1)
    assert after != before
    file.write_text(after, encoding="utf-8")
    with pytest.raises(WriteError, match="is no AMF: "):
        by_structure(file)
    check = by_schema(plates_folder() / "editorial")
    with pytest.raises(WriteError, match="is no AMF: "):
        check(file)


def test_a_file_that_is_cut_is_caught(tmp_path, capsys):
    file = amf(tmp_path, capsys)
    mend(file, "</aces:acesMetadataFile>", "")
    with pytest.raises(WriteError, match="does not read back as XML"):
        by_structure(file)


def test_the_schemas_that_it_imports_may_be_missing(tmp_path, capsys):
    path = normalized(capsys, tmp_path, PULL, frames=1)
    schema = plates_folder() / "editorial" / "acesMetadataFile.xsd"
    (tmp_path / "xsd").mkdir()
    (tmp_path / "xsd" / schema.name).write_bytes(schema.read_bytes())
    ran = run(capsys, "handover", path, "--as", "amf", "--xsd", tmp_path / "xsd")
    assert ran.code == 2
    assert "does not load" in ran.err
    assert "put the schemas that it imports beside it" in ran.err
    assert not (path.parent / "handover").exists()


def test_frames_under_zero_and_one_file(tmp_path, capsys):
    """xs:nonNegativeInteger for the ends of a sequence."""
    path = normalized(capsys, tmp_path, PULL, frames=1)
    record = sidecar.load(path)
    source = record.source.model_copy(update={"frames": "-4-3"})
    sidecar.save(record.model_copy(update={"source": source}), path)
    ran = run(capsys, "handover", path, "--as", "amf")
    assert ran.code == 1
    assert "amf: quay: frame -4: AMF counts the frames of a clip from 0" in ran.err
    source = record.source.model_copy(update={"pattern": "../hot/still.exr"})
    sidecar.save(record.model_copy(update={"source": source}), path)
    _, root = handed(capsys, path)
    assert text(root, "clipId/file") == "still.exr"


def test_another_config_than_then_is_refused(tmp_path, capsys):
    path = normalized(capsys, tmp_path, PULL, frames=1)
    mend(path, sidecar.load(path).colour.sha256, "0" * 64)
    ran = run(capsys, "handover", path, "--as", "amf")
    assert ran.code == 1
    assert "the config is not the one that the shot was normalized with; bring the old" in ran.err
