"""ASC CDL files: the schema of release 1.01, what they say, and what they leave out."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from xml.etree import ElementTree

import pytest
from handed import mend, told
from hypothesis import given
from hypothesis import strategies as st
from lxml import etree
from support import plates_folder

from gradeprep.errors import WriteError
from gradeprep.handover.cdl import Cc, Ccc, Cdl
from gradeprep.handover.chosen import Chosen, FrameParams, choose
from gradeprep.model.stops import gain
from gradeprep.plugins.contracts import Decided, Document, LeftOut

NAMESPACE = {"c": "urn:ASC:CDL:v1.01"}
LABELS = {1001: None, 1002: None}
FORMS = (Cc, Ccc, Cdl)


def shots(folder: Path) -> list[Decided]:
    return [
        told(folder / "a", LABELS, name="quay"),
        told(folder / "b", LABELS, name="loft", stages={"lift": 1.0, "pull": -3.0}),
    ]


def written(folder: Path, document: Document | LeftOut) -> Path:
    assert isinstance(document, Document)
    path = folder / document.name
    path.write_text(document.text, encoding="utf-8")
    assert "OpenColorIO reads it back" in document.prove(path)
    return path


def varying(folder: Path) -> Decided:
    shot = told(folder, LABELS)
    return Decided(shot.record, shot.sidecar, {1001: (0.5,) * 3, 1002: (0.25,) * 3})


@pytest.mark.parametrize("form", FORMS)
def test_files_follow_the_schema(form, tmp_path):
    schema = etree.XMLSchema(etree.parse(plates_folder() / "editorial/ASC-CDL_schema_v1.01.xsd"))
    documents = form().make(shots(tmp_path), FrameParams(), "film")
    for path in [written(tmp_path, document) for document in documents]:
        schema.assertValid(etree.parse(path))
        broken = path.read_text(encoding="utf-8").replace("<Power>1 1 1", "<Power>0 1 1")
        assert not schema.validate(etree.fromstring(broken.encode()))


def test_a_collection_holds_each_shot_by_its_name(tmp_path):
    (document,) = Ccc().make(shots(tmp_path), FrameParams(), "film")
    assert document.name == "film.ccc"
    root = ElementTree.parse(written(tmp_path, document)).getroot()
    slopes = {
        node.get("id"): node.findtext(".//c:Slope", namespaces=NAMESPACE)
        for node in root.findall("c:ColorCorrection", NAMESPACE)
    }
    assert slopes == {"quay": "0.25 0.25 0.25", "loft": "0.125 0.125 0.125"}
    for node in root:
        told = {one: node.findtext(f".//c:{one}", namespaces=NAMESPACE)
                for one in ("Offset", "Power", "Saturation", "InputDescription")}  # fmt: skip
        space = told.pop("InputDescription")
        assert told == {"Offset": "0 0 0", "Power": "1 1 1", "Saturation": "1"}
        assert space.startswith("scene-linear light in ACEScg (OpenColorIO config ocio://studio")


def test_a_decision_list_names_the_source_plates(tmp_path):
    (document,) = Cdl().make(shots(tmp_path), FrameParams(), "film")
    root = ElementTree.parse(written(tmp_path, document)).getroot()
    refs = [node.get("ref") for node in root.iter(f"{{{NAMESPACE['c']}}}MediaRef")]
    assert refs == ["quay.%23%23%23%23.exr", "loft.%23%23%23%23.exr"]


def test_what_is_not_in_it_is_marked_in_the_file_and_told(tmp_path):
    quay, loft = Cc().make(shots(tmp_path), FrameParams(), "film")
    mark = "PART ONLY: the shot's lift is not a gain and is not in it"
    assert (quay.notes, loft.notes) == ((), (mark,))
    assert mark in loft.text
    assert "PART" not in quay.text
    assert "without the clamp to 0..1" in quay.text  # the files carry no style of their own


@pytest.mark.parametrize("form", FORMS)
def test_a_gain_that_varies_is_left_out_and_told(form, tmp_path):
    quay, loft = told(tmp_path / "q", LABELS), varying(tmp_path / "v")
    one, other = form().make([quay, loft], FrameParams(), "film")
    assert isinstance(one, Document)
    assert other == LeftOut(
        "quay",
        "its gain varies over the frames, from -2 to -1 stops, and the form holds one number; "
        "say --frame N for that of one frame",
    )
    assert form().make([loft], FrameParams(), "film") == [other]  # no empty collection


def test_one_frame_of_it_is_marked(tmp_path):
    (document,) = Cc().make([varying(tmp_path)], FrameParams(frame=1002), "film")
    assert document.name == "quay_1002.cc"
    assert document.notes == ("FRAME 1002 ONLY: the gain varies over 1001-1002",)
    assert document.notes[0] in document.text
    assert "<Slope>0.25 0.25 0.25<" in document.text


def test_choices(tmp_path):
    assert choose(varying(tmp_path / "v"), 1003) == LeftOut(
        "quay", "has no frame 1003; it has 1001-1002"
    )
    steady = told(tmp_path / "s", LABELS)
    assert choose(steady, 1001) == choose(steady, None) == Chosen(steady, (0.25, 0.25, 0.25))
    only_lift = told(tmp_path / "l", LABELS, stages={"lift": 1.0})
    assert choose(only_lift, None) == LeftOut("quay", "lift is no gain, and there is nothing else")
    nothing = told(tmp_path / "n", LABELS, stages={"pull": 0.0})
    assert choose(nothing, None) == Chosen(nothing, (1.0, 1.0, 1.0))


@given(stops=st.tuples(*[st.floats(-20, 20)] * 3))
def test_any_gain_reads_back(stops, tmp_path_factory):
    folder = tmp_path_factory.mktemp("any")
    red, green, blue = map(gain, stops)
    shot = told(folder, {1: None})
    shot = Decided(shot.record, shot.sidecar, {1: (red, green, blue)})
    (document,) = Cc().make([shot], FrameParams(), "film")
    written(folder, document)


@pytest.mark.parametrize(
    ("old", "new", "why"),
    [
        ("0.25 0.25 0.25", "0.25 0.25 0.250001", "reads back as another gain, off by 4"),
        ("<Offset>0 0 0", "<Offset>0 0 1e-5", "reads back as another gain"),
        ("<Power>1 1 1", "<Power>1 1 1.1", "reads back as another gain"),
        ("<Saturation>1", "<Saturation>0.99", "reads back as another gain"),
        ("<Slope>0.25", "<Slope>-0.25", "does not read back"),
        ("</ColorCorrection>", "", "does not read back"),
    ],
)
def test_a_file_that_says_anything_else_is_caught(old, new, why, tmp_path):
    (document,) = Cc().make([told(tmp_path, LABELS)], FrameParams(), "film")
    path = written(tmp_path, document)
    mend(path, old, new)
    with pytest.raises(WriteError, match=why):
        document.prove(path)


@pytest.mark.parametrize("form", [Cc, Ccc, Cdl])
def test_a_log_plate_has_the_whole_way_in_words(form, tmp_path):
    light = shots(tmp_path)[0]
    order = light.record.colour.model_copy(update={"source": "ACEScct"})
    record = light.record.model_copy(update={"colour": order})
    log = dataclasses.replace(light, record=record)
    said = (
        "Decode ACEScct to ACEScg, multiply, encode to ACEScct; a multiplication of ACEScct codes "
        "is no exposure change"
    )
    for shot, expected in ((log, True), (light, False)):
        (document,) = form().make([shot], FrameParams(), "film")
        root = ElementTree.fromstring(document.text)
        texts = [node.text for node in root.iter(f"{{{NAMESPACE['c']}}}Description")]
        assert (said in texts) is expected
