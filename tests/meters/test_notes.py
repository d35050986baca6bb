"""The notes meter against the closed forms of ISO 2720, and every way notes can be wrong."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from fakeview import FakeView
from hypothesis import given
from hypothesis import strategies as st

from gradeprep.errors import GradeprepError
from gradeprep.meters.labels import read_label
from gradeprep.meters.notes import Notes, NotesParams

PLATE = FakeView({1001: np.ones((2, 2, 3)), 1002: np.ones((2, 2, 3))}, shot="quay_0110")
SUNNY = "shot,aperture,time_s,index,density,{light}\nquay_0110,16,{time},{index},,{value}\n"


def notes(folder: Path, text: str, name: str = "notes.csv") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def read(path: Path, **params):
    return Notes().read(PLATE, NotesParams(file=path, **params))


# Sunny 16: f/16 and 1/S s in full sun. As arithmetic (ISO 2720, K = 12.5, C = 250 flat) that is
# the setting for 3200 cd/m2 or 64000 lx; 1/125 for 4000 and 80000, 1/128 for EV 15 at ISO 100.
@pytest.mark.parametrize(
    ("index", "time", "light", "value"),
    [
        (100, "1/100", "luminance_cd_m2", "3200"),
        (100, "1/100", "illuminance_lx", "64000 lx"),
        (100, "1/125", "luminance_cd_m2", "4000 cd/m2"),
        (100, "1/125", "illuminance_lx", "80000"),
        (100, "1/128", "ev100", "15"),
        (100, "1/128", "luminance_cd_m2", "4096"),
        (400, "1/400", "luminance_cd_m2", "3200"),
        (800, "1/800 s", "illuminance_lx", "64000 lux"),
    ],
)
def test_sunny_sixteen_is_not_hot(tmp_path, index, time, light, value):
    text = SUNNY.format(light=light, time=time, index=index, value=value)
    assert read(notes(tmp_path, text)).stops == pytest.approx(0.0, abs=1e-9)


# EV at ISO 100 to luminance and illuminance: L = 2^EV K / 100, E = 2^EV C / 100 (ISO 2720).
@pytest.mark.parametrize("ev", [0, 3, 5, 8, 10, 12, 14, 15, 16])
@pytest.mark.parametrize(
    ("column", "constant", "params"),
    [
        ("luminance_cd_m2", 12.5, {}),
        ("luminance_cd_m2", 14.0, {"constant_k": 14.0}),
        ("illuminance_lx", 250.0, {}),
        ("illuminance_lx", 340.0, {"constant_c": 340.0}),
    ],
)
def test_light_of_an_exposure_value(tmp_path, ev, column, constant, params):
    text = f"quay_0110: {{tstop: 1, time_s: 1, index: 100, {column}: {2**ev * constant / 100}}}"
    reading = read(notes(tmp_path, text, "notes.yaml"), **params)
    assert reading.stops == pytest.approx(-ev, abs=1e-9)
    assert reading.evidence["light_ev100"] == pytest.approx(ev, abs=1e-9)


aperture = st.integers(100, 6400).map(lambda hundredths: hundredths / 100)
times = st.integers(1, 8000)


@given(aperture, times, st.integers(50, 12800), st.integers(0, 60), st.integers(1, 100_000))
def test_any_note_is_the_meter_formula(tmp_path_factory, n, t, s, d, lux):
    row = f"{{aperture: {n}, time_s: 1/{t}, index: {s}, density: {d / 10}, illuminance_lx: {lux}}}"
    path = notes(tmp_path_factory.mktemp("notes"), f"quay_0110: {row}", "n.yml")
    metered = lux * s / 250.0
    given_exposure = n * n * t / 10 ** -(d / 10)
    hot = math.log2(metered / given_exposure)
    assert read(path, apertures="as_written").stops == pytest.approx(-hot, abs=1e-9)


# f/5.6 stands for 2^(5/2), f/11 for 2^(7/2), f/22 for 2^(9/2) (encyclopaedias, "F-number");
# densities are log10, a stop is 0.30103 of them; 172.8 degrees at 24 a second are 1/50 s.
@pytest.mark.parametrize(
    ("column", "written", "exact", "off"),
    [
        ("aperture", "f/5.6", 2**2.5, -0.0291),
        ("aperture", "5.6", 2**2.5, -0.0291),
        ("aperture", "F11", 2**3.5, -0.0811),
        ("aperture", "f/1.2", 2 ** (1 / 3), -0.1406),
        ("aperture", "f/1.7", 1.7, 0.0),
        ("tstop", "T2.8", 2**1.5, -0.0291),
        ("tstop", "t/2.9", 2.9, 0.0),
        ("time_s", "1/48", 1 / 48, 0.0),
        ("time_s", "1/60", 1 / 64, -0.0931),
        ("time_s", "1/125 s", 1 / 128, -0.0342),
        ("rate_fps", "23.976", 24000 / 1001, 0.0),
        ("angle_deg", "172.8 deg", 172.8, 0.0),
        ("angle_deg", "172.8°", 172.8, 0.0),
        ("index", "EI 800", 800.0, 0.0),
        ("density", "ND 0.9", 0.9, -0.01026),
        ("density", "ND0.3 + ND0.6", 0.9, -0.01026),
        ("density", "0", 0.0, 0.0),
        ("ev100", "EV -2", -2.0, 0.0),
    ],
)
def test_labels_stand_for_exact_numbers(column, written, exact, off):
    label = read_label(column, written, marked=True)
    assert float(label.value) == pytest.approx(exact, rel=1e-12)
    assert label.stops == pytest.approx(off, abs=5.1e-5)


def test_evidence_tells_what_each_label_became(tmp_path):
    text = (
        "shot,aperture,angle_deg,rate_fps,index,density,ev100,comment\n"
        "other,2,180,24,100,,1,\n"
        'quay_0110,f/5.6,172.8 deg,24,800,ND 0.9,10,"hot, on purpose"\n'
    )
    reading = read(notes(tmp_path, text))
    hot = 10 - (math.log2(2**5 * 50) - 3) - 0.9 / math.log10(2)
    assert reading.stops == pytest.approx(-hot, abs=1e-9)
    assert reading.evidence["time_s"] == pytest.approx(1 / 50, rel=1e-15)
    assert reading.evidence["line"] == 3
    label = reading.evidence["labels"]["aperture"]
    assert label["written"] == "f/5.6"
    assert label["exact"] == pytest.approx(2**2.5)
    assert label["off_by_stops"] == pytest.approx(-0.0291, abs=5e-5)
    assert reading.sigma == pytest.approx(math.sqrt(0.1**2 + 0.1**2 + 0.05**2))
    unmarked = read(notes(tmp_path, text), apertures="as_written")
    assert unmarked.stops - reading.stops == pytest.approx(2 * math.log2(5.6 / 2**2.5), abs=1e-9)


def test_marked_times_are_asked_for(tmp_path):
    path = notes(tmp_path, SUNNY.format(light="ev100", time="1/125", index=100, value=15))
    assert read(path, times="marked").stops == pytest.approx(0.0, abs=1e-9)
    assert read(path).stops == pytest.approx(-math.log2(128 / 125), abs=1e-9)


def test_a_shot_may_have_a_row_for_each_of_its_ranges(tmp_path):
    text = (
        "shot,frames,tstop,time_s,index,ev100\n"
        "quay_0110,1001-1010,1,1,100,3\n"
        "quay_0110,1011-1020,1,1,100,4\n"
    )
    path = notes(tmp_path, text)
    assert read(path).stops == pytest.approx(-3.0)
    assert read(path, frame=1011).stops == pytest.approx(-4.0)
    with pytest.raises(GradeprepError, match=r"no row of shot 'quay_0110' is for frame 7$"):
        read(path, frame=7)
    listed = "quay_0110:\n- {frames: 1-9, tstop: 1, time_s: 1, index: 100, ev100: 2}\n"
    assert read(notes(tmp_path, listed, "n.yaml"), frame=9).stops == pytest.approx(-2.0)


def test_a_row_under_another_name(tmp_path):
    path = notes(tmp_path, "A004: {tstop: 1, time_s: 1, index: 100, ev100: 1}", "n.yaml")
    assert read(path, shot="A004").stops == pytest.approx(-1.0)


GOOD = {"tstop": "2", "time_s": "1/50", "index": "100", "ev100": "5"}


def row(**changes: str | None) -> str:
    cells = {key: it for key, it in (GOOD | changes).items() if it is not None}
    return f"shot,{','.join(cells)}\nquay_0110,{','.join(cells.values())}\n"


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        (row(ev100=None, luminance="200"), "line 2: luminance: is not a known name, so its unit"),
        (row(ND="0.9"), "line 2: ND: is not a known name, so its unit is not known; known: apert"),
        (row(ev100=None), "line 2: says none of luminance_cd_m2, illuminance_lx, ev100; give"),
        (row(tstop=None), "line 2: says none of aperture, tstop; give one of them"),
        (row(index=None), "line 2: index: is missing"),
        (row(aperture="2"), "line 2: tstop: stands beside aperture; keep one of them"),
        (row(illuminance_lx="9"), "line 2: ev100: stands beside illuminance_lx; keep one of them"),
        (row(angle_deg="180"), "line 2: angle_deg: stands beside time_s; keep one of them"),
        (row(time_s=None, angle_deg="180"), "line 2: rate_fps: is missing; an angle needs it"),
        (
            row(time_s=None, angle_deg="361", rate_fps="24"),
            "line 2: angle_deg: a shutter angle is at most 360 degrees, not 361.0",
        ),
        (
            row(time_s="0.05", rate_fps="24"),
            "line 2: time_s: 0.05 s is longer than one frame at 24 per second",
        ),
        (row(time_s="0"), "line 2: time_s: a time must be above zero, not 0"),
        (row(time_s="1/0"), "line 2: time_s: '1/0' is not understood; write 1/48 or 0.02"),
        (row(density="-0.3"), "line 2: density: a density must be zero or more, not -0.3"),
        (row(density="ND8"), "line 2: density: 'ND8' may be a factor or a density; write the"),
        (row(density="8"), "line 2: density: a density of 8 (27 stops) is no camera filter"),
        (row(density="dark"), "line 2: density: 'dark' is not understood; write 0.9, or 0.3 +"),
        (row(index="0"), "line 2: index: it must be above zero, not 0"),
        (row(tstop="f/2"), "line 2: tstop: 'f/2' is not understood; write 2.8 or T2.8"),
        (row(tstop="0"), "line 2: tstop: an aperture must be above zero, not 0.0"),
        (row(tstop="wide"), "line 2: tstop: 'wide' is not understood"),
        (row(rate_fps="1e99"), "line 2: rate_fps: '1e99' is not understood; write 24 or"),
        (row(ev100="5000 lx"), "line 2: ev100: '5000 lx' is not understood; write 12.3"),
        (row(frames="x"), "line 2: frames: "),
        ("shot,tstop,tstop\n", "line 1: column 'tstop' is given twice"),
        ("shot;tstop\nquay_0110;2\n", "line 1: no column is called 'shot'; name the columns"),
        ("shot,tstop\nquay_0110,2,3\n", "line 2: has 3 values for 2 columns"),
        ('shot,tstop\nquay_0110,"2\n', "line 2: not CSV: unexpected end of data"),
        ("shot,tstop\n", "has no notes in it"),
        ("", "line 1: no column is called 'shot'"),
        ("shot,tstop\nquay_0100,2\n", "has no notes for shot 'quay_0110'; it has quay_0100"),
        (row() + "quay_0110,2,1/50,100,6\n", "lines 2 and 3 are both for shot 'quay_0110', frame"),
    ],
)
def test_what_is_wrong_with_a_csv_file_is_one_line(tmp_path, text, complaint):
    path = notes(tmp_path, text)
    with pytest.raises(GradeprepError) as caught:
        read(path)
    line = str(caught.value)
    assert line.startswith(f"{path}: ")
    assert complaint in line
    assert "\n" not in line


@pytest.mark.parametrize(
    ("name", "content", "complaint"),
    [
        ("n.yaml", b"- 1", "line 1: notes are a mapping of shot to values"),
        ("n.yaml", b"quay_0110: 3", "line 1: the notes of 'quay_0110' are not a mapping"),
        ("n.yaml", b"a: [", "line 1: not YAML"),
        ("n.yaml", b"q:\n  - {a: 1}\n  - 7", "line 3: the notes of 'q' are not a mapping"),
        ("n.csv", b"\xff\xfe", "is not UTF-8 text"),
        ("n.csv", b"a" * (4 * 1024 * 1024 + 1), "is larger than 4 MiB"),
        ("n.xlsx", b"", "is not a kind of notes; give .csv, .yaml or .yml"),
    ],
)
def test_what_is_wrong_with_a_file(tmp_path, name, content, complaint):
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(GradeprepError) as caught:
        read(path)
    assert str(path) in str(caught.value)
    assert complaint in str(caught.value)


def test_notes_that_are_not_there(tmp_path):
    with pytest.raises(GradeprepError, match="there are no such notes"):
        read(tmp_path / "missing.csv")


def test_columns_that_are_not_about_exposure(tmp_path):
    path = notes(tmp_path, row(mood="grim", lens="50"))
    assert read(path, ignore=("mood",)).stops == pytest.approx(
        -(5 - math.log2(2**2 * 50)), abs=1e-9
    )
