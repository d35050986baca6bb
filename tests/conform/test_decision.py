"""A decision read back: stops where it is a plain gain, else the reason."""

from __future__ import annotations

import math

import pytest
from support import plates_folder

from gradeprep.conform.decision import decision_from, decisions_in
from gradeprep.errors import RequestError

PLAIN = "<Slope>0.125 0.25 0.5</Slope><Offset>0 0 0</Offset><Power>1 1 1</Power>"


def correction(sop=PLAIN, sat="<SatNode><Saturation>1</Saturation></SatNode>", name="a"):
    return f'<ColorCorrection id="{name}"><SOPNode>{sop}</SOPNode>{sat}</ColorCorrection>'


def written(path, text):
    path.write_text(text, encoding="utf-8")
    return path


def clf(path, *steps):
    body = "".join(steps)
    return written(path, f'<ProcessList id="a" compCLFversion="3.0">{body}</ProcessList>')


def matrix(*values, columns=3):
    rows = "\n".join(
        " ".join(map(repr, values[i : i + columns])) for i in range(0, len(values), columns)
    )
    dim = f"3 {columns}"
    return (
        f'<Matrix inBitDepth="32f" outBitDepth="32f"><Array dim="{dim}">\n{rows}\n</Array></Matrix>'
    )


def cdl_step(style, slope="0.5 0.5 0.5", sat="1"):
    return (
        f'<ASC_CDL inBitDepth="32f" outBitDepth="32f" style="{style}"><SOPNode><Slope>{slope}'
        "</Slope><Offset>0 0 0</Offset><Power>1 1 1</Power></SOPNode>"
        f"<SatNode><Saturation>{sat}</Saturation></SatNode></ASC_CDL>"
    )


def test_a_plain_correction_is_stops(tmp_path):
    assert decision_from(written(tmp_path / "a.cc", correction())) == (-3.0, -2.0, -1.0)


def test_a_collection_goes_by_ids(tmp_path):
    text = f"<ColorCorrectionCollection xmlns='urn:ASC:CDL:v1.01'>{correction()}" + (
        f"{correction(PLAIN.replace('0.5<', '2<'), name='b')}</ColorCorrectionCollection>"
    )
    file = written(tmp_path / "a.ccc", text)
    assert decisions_in(file) == {"a": (-3.0, -2.0, -1.0), "b": (-3.0, -2.0, 1.0)}
    with pytest.raises(RequestError, match="holds 2 corrections: a, b; give a file with one"):
        decision_from(file)


@pytest.mark.parametrize(
    ("text", "why"),
    [
        (correction(PLAIN.replace("0 0 0", "0 0.1 0")), "offset of 0 0.1 0: not a plain gain"),
        (correction(PLAIN.replace("1 1 1", "1 1.2 1")), "power of 1 1.2 1: not a plain gain"),
        (correction(sat="<SatNode><Saturation>0.9</Saturation></SatNode>"), "saturation of 0.9"),
        (correction(PLAIN.replace("0.125", "-0.125")), "slope -0.125 is negative"),
        (correction(PLAIN.replace("1 1 1", "1 0 1")), "power 0 is not over 0"),
        (correction(PLAIN.replace("0.125", "nan")), "not finite"),
        (correction(PLAIN.replace("0.125", "1e999")), "not finite"),
        (correction(PLAIN.replace("0.125 ", "")), "a Slope of '0.25 0.5'"),
        (correction(PLAIN.replace("0.125", "0")), "has no stops"),
        (correction(PLAIN.replace("0.125", "1e30")), "beyond"),
        (correction(sat="<ASC_SAT><Saturation>0.4</Saturation></ASC_SAT>"), "in 'ASC_SAT'"),
        (correction(PLAIN + "<Slope>1 1 1</Slope>"), "has two values of Slope"),
        ("<ColorDecisionList/>", "no ColorCorrection in it"),
        ("<ColorCorrection>", "line 1: not XML"),
        ("<!DOCTYPE a [<!ENTITY b 'c'>]>" + correction(), "document type"),
        ("<r>" + correction() + correction() + "</r>", "two corrections have the id 'a'"),
    ],
)
def test_anything_else_is_refused_with_the_reason(text, why, tmp_path):  # ASC CDL release 1.2
    with pytest.raises(RequestError, match=r"a\.cdl: .*") as refused:
        decisions_in(written(tmp_path / "a.cdl", text))
    assert why in str(refused.value)


def test_a_matrix_without_crosstalk_is_stops(tmp_path):
    file = clf(tmp_path / "a.clf", matrix(0.125, 0, 0, 0, 0.25, 0, 0, 0, 0.5))
    assert decision_from(file) == (-3.0, -2.0, -1.0)


def test_steps_of_a_clf_add_up(tmp_path):
    file = clf(
        tmp_path / "a.clf",
        matrix(0.3, 0, 0, 0, 0.25, 0, 0, 0, 0.5),
        cdl_step("FwdNoClamp"),
        cdl_step("RevNoClamp", slope="0.5 0.25 0.5"),
    )
    assert decision_from(file) == pytest.approx((math.log2(0.3), -1.0, -1.0), abs=1e-6)


def test_a_changed_file_is_read_anew(tmp_path):
    for value, stops in ((0.5, -1.0), (0.25, -2.0)):
        file = clf(tmp_path / "a.clf", matrix(value, 0, 0, 0, value, 0, 0, 0, value))
        assert decision_from(file) == (stops,) * 3


@pytest.mark.parametrize(
    ("step", "why"),
    [
        (matrix(1, 0.1, 0, 0, 1, 0, 0, 0, 1), "mixes channels"),
        (matrix(1, 0, 0, 0.1, 0, 1, 0, 0, 0, 0, 1, 0, columns=4), "matrix with an offset of 0.1"),
        (matrix(-1, 0, 0, 0, 1, 0, 0, 0, 1), "has no stops"),
        (matrix(0, 0, 0, 0, 1, 0, 0, 0, 1), "has no stops"),
        (cdl_step("Fwd"), "clamps to 0..1"),
        (cdl_step("FwdNoClamp", sat="0.5"), "saturation of 0.5"),
        ('<Log inBitDepth="32f" outBitDepth="32f" style="log2"/>', "a step of kind 'Log'"),
        ("<Nonsense/>", "cannot be read as a CLF"),
    ],
)
def test_a_clf_of_anything_else_is_refused(step, why, tmp_path):
    with pytest.raises(RequestError, match=r"a\.clf") as refused:
        decision_from(clf(tmp_path / "a.clf", step))
    assert why in str(refused.value)


def test_files_that_are_none(tmp_path):
    with pytest.raises(RequestError, match="no such file"):
        decision_from(tmp_path / "none.cc")
    with pytest.raises(RequestError, match=r"'.cube' is not a form of a decision"):
        decision_from(tmp_path / "a.cube")
    (tmp_path / "folder.cc").mkdir()
    with pytest.raises(RequestError, match="cannot be read"):
        decision_from(tmp_path / "folder.cc")


EDITORIAL = {
    "cdl_test1.cc": "offset of 2.1 2.2 2.3",
    "cdl_test1.ccc": "correction 'cc0001' has an offset",
    "cdl_test_ASC_SAT.cc": "Saturation in 'ASC_SAT'",
    "cdl_test_SATNode.cc": "offset of 2.1 2.2 2.3",
    "array_bad_value.clf": "line 5",
    "cdl_all_styles.clf": "clamps to 0..1",
    "cdl_bad_slope.clf": "line 6",
    "cdl_missing_offset.clf": "line 5",
    "cdl_missing_sat.clf": "clamps to 0..1",
    "log_all_styles.clf": "a step of kind 'Log'",
    "matrix_example_utf8.clf": "mixes channels",
    "multiple_ops.clf": "clamps to 0..1",
    "transform_empty.clf": "cannot be read as a CLF",
    "xyz_to_rgb.clf": "mixes channels",
}


@pytest.mark.parametrize("name", EDITORIAL)
def test_decisions_of_others(name):
    with pytest.raises(RequestError) as refused:
        decisions_in(plates_folder() / "editorial" / name)
    assert EDITORIAL[name].lower() in str(refused.value).lower()
