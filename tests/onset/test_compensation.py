"""Transforms for monitors: against published curves, against the pull, and what is refused.

Published curves come from another library, and a space of the config is paired with one by what
both make of code values, so that nothing here depends on a name.
"""

from __future__ import annotations

import re
import warnings
from collections.abc import Callable
from functools import cache
from pathlib import Path

import numpy as np
import PyOpenColorIO as ocio
import pytest
from harbour import HARBOUR, harbour_with, space_text
from hypothesis import given, settings
from hypothesis import strategies as st
from support import plates_folder, run, snapshot

from gradeprep import colour
from gradeprep.colour import BUILT_IN
from gradeprep.demo.story import shoot_film
from gradeprep.errors import ColourError, OutputRefusedError, RequestError
from gradeprep.looks import find_look, shown
from gradeprep.model.documents.compensation import CompensationDocument, TransformDocument
from gradeprep.onset import cube
from gradeprep.onset.compensation import Ask, Tolerance, prepare
from gradeprep.onset.deviation import Probe, deviation
from gradeprep.onset.exact import Exact, through
from gradeprep.onset.handout import make
from gradeprep.onset.names import file_name, set_name
from gradeprep.plates import files
from gradeprep.transforms import from_file

STUDIO = colour.load(BUILT_IN)
SMALL = colour.load(str(HARBOUR))
LOGS = tuple(STUDIO.with_encoding("log"))
WIDE = Tolerance(stops=9.0, codes=999.0, colours=999.0)
TEN_BITS = 1023.0
DARKEST = 0.18 * 2.0**-6
CODE = np.linspace(0.0, 1.0, 8193, dtype=np.float32).astype(np.float64)
PLAIN = ("sRGB monitor", "Plain")

Decode = Callable[[np.ndarray], np.ndarray]


def made(folder: Path, space: str, *stops: float, config: colour.Colour = STUDIO, **asked):
    asked.setdefault("tolerance", WIDE)
    return make(prepare(config, Ask(space=space, stops=stops, **asked)), folder)


def neutrals(codes: np.ndarray) -> np.ndarray:
    return np.repeat(np.asarray(codes, np.float32)[:, None], 3, axis=1)


def sent_through(
    one: TransformDocument, codes: np.ndarray, *, tetrahedral: bool = False
) -> np.ndarray:
    return through(from_file(Path(one.file), tetrahedral=tetrahedral), codes)


# ---------------------------------------------------------------- published curves


@cache
def published() -> dict[str, Decode]:
    """Log spaces whose curve is a published formula within 1e-5 stop, one space a formula."""
    with warnings.catch_warnings(), np.errstate(all="ignore"):
        warnings.simplefilter("ignore")
        science = pytest.importorskip("colour")
        light = {name: _decoded(decode) for name, decode in science.LOG_DECODINGS.items()}
        found: dict[str, str] = {}
        for space in LOGS:
            own = through(STUDIO.convert(space, "ACEScg"), neutrals(CODE))[:, 1]
            for name, true in light.items():
                bright = true >= DARKEST
                if bright.sum() < 1000 or name in found:
                    continue
                if np.abs(np.log2(own[bright] / true[bright])).max() < 1e-5:
                    found[name] = space
                    break
    return {space: science.LOG_DECODINGS[name] for name, space in found.items()}


def _decoded(decode: Decode) -> np.ndarray:
    try:
        light = np.asarray(decode(CODE), np.float64)
    except (TypeError, ValueError):
        return np.zeros(0)
    return light if light.shape == CODE.shape else np.zeros(0)


@pytest.mark.parametrize("stops", [-1.0, -2.0, -3.0])
def test_files_are_the_published_curves_there_and_back(stops, tmp_path):
    """CLF within 1e-5 stop, 1D within 0.002 from 6 stops under grey up; deeper, in light."""
    curves = published()
    assert len(curves) >= 4
    for number, (space, decode) in enumerate(curves.items()):
        separate = STUDIO.curve(space, "ACEScg") is not None
        formats = ("clf", "1d") if separate else ("clf",)
        told = made(tmp_path / str(number), space, stops, formats=formats)
        with np.errstate(all="ignore"):
            true = np.asarray(decode(CODE), np.float64) * 2.0**stops
        held = (true > 0) & (true <= float(decode(np.ones(1))[0]))  # above black, up to code 1
        for one in told.files:
            got = decode(sent_through(one, neutrals(CODE))[:, 1].astype(np.float64))
            allowed = {"clf": 1e-5, "1d": 0.002}[one.format]
            # near black the last bit of a float32 code is worth more than that: 1e-8 of white
            bound = true[held] * (2.0**allowed - 1) + 1e-8
            assert np.all(np.abs(got[held] - true[held]) <= bound), (space, one.format)
            picture = held & (true >= DARKEST)
            off = np.abs(np.log2(got[picture] / true[picture]))
            assert off.max() <= allowed, (space, one.format)


def test_a_cube_of_65_is_within_its_stated_error(tmp_path):
    """0.02 stop from 6 stops under grey up, the default tolerance; and what is told is true."""
    curves = [space for space in published() if STUDIO.curve(space, "ACEScg")][:4]
    assert len(curves) == 4
    for number, space in enumerate(curves):
        decode = published()[space]
        (one,) = made(tmp_path / str(number), space, -2.0, formats=("3d",)).files
        with np.errstate(all="ignore"):
            true = np.asarray(decode(CODE), np.float64) / 4
            bright = true >= DARKEST
            for tetrahedral in (False, True):
                out = sent_through(one, neutrals(CODE), tetrahedral=tetrahedral)
                off = np.abs(np.log2(decode(out[:, 1].astype(float))[bright] / true[bright]))
                assert off.max() <= min(0.02, one.error_stops + 2e-5)
        assert one.error_stops > 1e-4  # a table is no formula


def test_the_log_spaces_of_the_studio_have_a_clf(tmp_path):
    """Formulas are exact; a table read backwards is written forwards, to half a code."""
    refused = []
    for number, space in enumerate(LOGS):
        told = made(tmp_path / str(number), space, -2.0, formats=("clf",), tolerance=Tolerance())
        refused += [one.file for one in told.refused]
        for one in told.files:
            limit = (1e-6, 1e-3) if one.formula else (0.002, 0.5)
            assert one.error_stops <= limit[0], space
            assert one.error_codes <= limit[1], space
            assert not one.clamps
    # one printing density spans more light than a half float holds
    assert len(refused) <= 1


# ---------------------------------------------------------------- files by themselves


def test_a_cube_is_laid_out_as_published(tmp_path):
    """Cube LUT Specification 1.0: sizes, domain, red fastest."""
    cube.write(tmp_path / "a.cube", cube.lattice(3), edge=3, title='a "b" \u00e9')
    lines = (tmp_path / "a.cube").read_bytes().decode("ascii").splitlines()
    head = [
        "TITLE \"a 'b' ?\"",
        "LUT_3D_SIZE 3",
        "DOMAIN_MIN 0.0 0.0 0.0",
        "DOMAIN_MAX 1.0 1.0 1.0",
    ]
    assert lines[:4] == head
    assert lines[4:7] == [f"{red} 0.00000000 0.00000000" for red in
                          ("0.00000000", "0.50000000", "1.00000000")]  # fmt: skip
    assert lines[7] == "0.00000000 0.50000000 0.00000000"
    assert len(lines) == 4 + 27
    cube.write(tmp_path / "b.cube", cube.line(5), edge=None, title="b")
    assert "LUT_1D_SIZE 5" in (tmp_path / "b.cube").read_text().splitlines()


@given(
    corner=st.lists(st.floats(-0.5, 2.0, width=32), min_size=24, max_size=24),
    at=st.lists(st.floats(0, 1, width=32), min_size=3, max_size=3),
)
@settings(max_examples=30, deadline=None)
def test_a_cube_of_two_is_read_as_the_trilinear_it_says(corner, at, tmp_path_factory):
    table = np.array(corner, np.float32).reshape(8, 3)
    path = tmp_path_factory.mktemp("cube") / "a.cube"
    cube.write(path, table, edge=2, title="corners")
    r, g, b = at
    weights = [(r, 1 - r)[1 - i % 2] * (g, 1 - g)[1 - i // 2 % 2] * (b, 1 - b)[1 - i // 4]
               for i in range(8)]  # fmt: skip
    got = through(from_file(path), np.array([at], np.float32))[0]
    np.testing.assert_allclose(got, np.array(weights) @ table, atol=2e-6)


def test_a_set_is_the_same_bytes_again(tmp_path):
    made(tmp_path / "a", "ACEScct", -1.0, -2.0, size_3d=5)
    made(tmp_path / "b", "ACEScct", -1.0, -2.0, size_3d=5)
    names = sorted(path.name for path in (tmp_path / "a").iterdir())
    assert len(names) == 7
    for name in names:
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes()


def test_names_are_plain():
    look = find_look(SMALL, *PLAIN)
    assert set_name("A B (C)/\u00e9", look) == "a-b-c_srgb-monitor_plain"
    assert file_name("x", -3.0, "clf", None) == "x_minus3.clf"
    assert file_name("x", 0.25, "1d", 4096) == "x_plus0p25_1d4096.cube"
    stops = [-1e-7, -1.0, 1.0, -1.1, -11.0, 0.0, -0.123456789]
    names = {file_name("x", s, "clf", None) for s in stops}
    assert len(names) == len(stops)
    assert all(re.fullmatch(r"x_(minus|plus)[0-9pe-]+\.clf", name) for name in names)


def test_a_clf_says_what_it_is_and_holds_the_gain(tmp_path):
    (one,) = made(tmp_path, "ACEScct", -3.0, formats=("clf",)).files
    text = Path(one.file).read_text(encoding="utf-8")
    assert one.formula
    assert 'name="acescct -3 stops"' in text
    assert "<InputDescriptor>ACEScct</InputDescriptor>" in text
    assert "0.125" in text
    assert "cameraLogToLin" in text
    assert "cameraLinToLog" in text
    assert "LUT" not in text.replace("Common LUT", "")


def test_the_range_is_told_as_it_is(tmp_path):
    """Academy S-2016-001: code 1 is 222.86, 10.2739 stops from grey."""
    told = made(tmp_path, "ACEScct", -3.0, size_3d=5)
    assert [one.clamps for one in told.files] == [False, True, True]
    beyond = neutrals(np.array([1.25]))
    for one in told.files:
        assert one.ceiling == pytest.approx(10.27393, abs=1e-4)
        assert one.ceiling_shown == pytest.approx(7.27393, abs=1e-4)
        at_end = sent_through(one, neutrals(np.array([1.0])))[0, 0]
        past = sent_through(one, beyond)[0, 0]
        assert (past == at_end) is np.bool_(one.clamps)


# ---------------------------------------------------------------- measuring


def test_what_is_measured_is_the_worst_of_what_is_there():
    probe = Probe.around(0.4)
    assert probe.codes.min() == 0
    assert probe.codes.max() == 1
    exact = probe.codes * np.float32(0.5) + np.float32(0.25)
    one, two = exact.copy(), exact.copy()
    one[10, 2] += 3 / TEN_BITS
    two[-1, 0] -= 5 / TEN_BITS
    off = deviation(probe, exact, [one, two], lambda codes: codes)
    assert off.codes == pytest.approx(5, rel=1e-4)
    assert off.neutral == pytest.approx(3, rel=1e-4)
    assert off.colours == 0
    wanted = max(
        np.log2(one[10, 2] / exact[10, 2]), abs(np.log2(two[-1, 0] / exact[-1, 0]))
    )  # fmt: skip
    assert off.stops == pytest.approx(float(wanted), rel=1e-5)


def test_what_is_no_number_is_as_far_off_as_can_be():
    probe = Probe.around(0.4)
    broken = probe.codes.copy()
    broken[7] = np.nan
    off = deviation(probe, probe.codes, [broken], None)
    assert off.codes == TEN_BITS
    black = probe.codes.copy()
    black[9000] = 0
    assert deviation(probe, probe.codes, [black], lambda codes: codes).stops == np.inf


@pytest.mark.parametrize(
    ("format_", "stops"), [("clf", -2.0), ("1d", -2.0), ("3d", -2.0), ("clf", 1.0), ("1d", 1.0)]
)
def test_an_exact_set_is_told_by_another_processor(format_, stops, tmp_path):
    """The exact transform is decode, product, encode: here by processors of our own making."""
    config = ocio.Config.CreateFromFile(str(HARBOUR))
    codes = np.random.default_rng(3).random((500, 3), np.float32)
    if stops > 0:  # light under black, brightened, passes what this log can write at all
        codes = 0.125 + 0.875 * codes

    def way(source: str, result: str, values: np.ndarray) -> np.ndarray:
        out = np.array(values[None], np.float32, order="C")
        config.getProcessor(source, result).getOptimizedCPUProcessor(
            ocio.BIT_DEPTH_F32, ocio.BIT_DEPTH_F32, ocio.OPTIMIZATION_NONE
        ).apply(ocio.PackedImageDesc(out, len(values), 1, 3))
        return out[0]

    wanted = way("ACEScg", "Film Log", way("Film Log", "ACEScg", codes) * np.float32(2.0**stops))
    (one,) = made(tmp_path, "Film Log", stops, config=SMALL, formats=(format_,)).files
    got = sent_through(one, codes)
    assert (
        np.abs(got - wanted).max() * TEN_BITS <= 1.01 * one.error_codes + 0.05
    )  # float32 matrices


def test_a_file_that_changed_is_read_anew(tmp_path):
    for value in (0.25, 0.75):
        cube.write(tmp_path / "a.cube", np.full((2, 3), value, np.float32), edge=None, title="a")
        assert np.all(through(from_file(tmp_path / "a.cube"), neutrals(CODE[:3])) == value)


# ---------------------------------------------------------------- with a view


def test_a_view_is_baked_and_its_clf_is_exact(tmp_path):
    told = made(tmp_path, "ACEScct", -2.0, config=SMALL, display=PLAIN[0], view=PLAIN[1])
    assert [one.format for one in told.files] == ["clf", "3d"]
    assert "mixes the channels" in told.left_out[0]
    clf, table = told.files
    assert clf.error_codes < 0.02
    assert clf.error_stops is None
    assert table.error_neutral < 3
    exact = Exact.of(SMALL, "ACEScct", "ACEScg", find_look(SMALL, *PLAIN))
    codes = neutrals(np.linspace(0, 1, 300))
    wanted = np.clip(exact.at(-2.0)(codes), 0, 1)
    for one, limit in ((clf, 0.02), (table, table.error_neutral * 1.01)):
        got = np.clip(sent_through(one, codes), 0, 1)
        assert np.abs(got - wanted).max() * TEN_BITS <= limit


def test_a_view_without_a_form_in_clf_says_so(tmp_path):
    display = STUDIO.config.getDefaultDisplay()
    told = made(tmp_path, "ACEScct", -1.0, display=display, size_3d=17)
    assert [one.format for one in told.files] == ["3d"]
    assert "clf: a step of it has no form in CLF" in told.left_out[0]
    assert told.view == STUDIO.config.getDefaultView(display)
    with pytest.raises(RequestError, match="clf: a step of it has no form in CLF"):
        prepare(STUDIO, Ask(space="ACEScct", stops=(-1.0,), formats=("clf",), display=display))


# ---------------------------------------------------------------- the pull, looked at


def code_values(path: Path) -> np.ndarray:
    part = files.read(path).parts[0]
    planes = np.stack([part.channels[name] for name in "RGB"], axis=-1).reshape(-1, 3)
    top = 2**part.bits - 1 if part.bits else 1
    return (planes / np.float64(top)).astype(np.float32)


def looked_at(space: str, codes: np.ndarray, look) -> np.ndarray:
    """10-bit codes on the display."""
    light = through(STUDIO.convert(space, "ACEScg"), codes)
    return np.clip(through(shown(STUDIO, "ACEScg", look), light), 0, 1) * TEN_BITS


def looks():
    """A view with tone mapping, one without, and a brighter display."""
    config = STUDIO.config
    displays = list(config.getDisplays())
    hdr = next(name for name in displays if "2100" in name)
    return (
        find_look(STUDIO, displays[0], None),
        find_look(STUDIO, displays[0], list(config.getViews(displays[0]))[1]),
        find_look(STUDIO, hdr, None),
    )


def round_trip(plate: Path, space: str, stops: float, folder: Path, capsys) -> None:
    """The pulled plate, and the hot one behind the compensation, look the same."""
    told = made(folder / "monitor", space, stops, formats=("clf", "1d"))
    pulled = {}
    for name, extra in (("float.exr", ("--type", "float")), (f"same{plate.suffix}", ())):
        ran = run(
            capsys, "pull", plate, folder / name, "--stops", stops, "--space", space,
            "--name", Path(name).stem, "--quiet", *extra,
        )  # fmt: skip
        assert ran.code == 0, ran
        pulled[name] = code_values(folder / name)
    hot = code_values(plate)
    exact, same = pulled.values()
    for one in told.files:
        behind = sent_through(one, hot)
        for look in looks():
            apart = looked_at(space, behind, look) - looked_at(space, exact, look)
            assert np.abs(apart).max() <= 1.0, (one.format, look)
        if plate.suffix == ".dpx":  # rounded to the plate's own codes, it is the pulled plate
            bits = files.read(plate).parts[0].bits
            top = 2**bits - 1
            assert np.abs(np.rint(behind * top) - np.rint(same * top)).max() <= 1


def test_a_demo_plate_pulled_looks_like_the_hot_one_compensated(tmp_path, capsys):
    shoot_film(tmp_path / "film", (96, 54), lambda line: None)
    hot = tmp_path / "film" / "hot"
    for shot, stops in (("loft_020", -2.0), ("quay_030", -1.5)):
        plate = sorted((hot / shot).iterdir())[0]
        round_trip(plate, "ACEScct", stops, tmp_path / shot, capsys)


@pytest.mark.parametrize(("index", "stops"), [(0, -1.0), (3, -3.0)])
def test_a_real_plate_pulled_looks_like_the_hot_one_compensated(index, stops, tmp_path, capsys):
    space = [name for name in LOGS if STUDIO.curve(name, "ACEScg")][index]
    plates = [p for p in sorted((plates_folder() / "dpx").glob("*.dpx")) if _is_picture(p)]
    assert plates
    for number, plate in enumerate(plates[:3]):
        round_trip(plate, space, stops, tmp_path / str(number), capsys)


def _is_picture(path: Path) -> bool:
    part = files.read(path).parts[0]
    return set("RGB") <= part.channels.keys() and part.bits in (10, 12)


# ---------------------------------------------------------------- tolerance


def test_a_file_over_the_tolerance_is_not_handed_out(tmp_path):
    tight = Tolerance(stops=0.001, codes=5.0)
    told = made(tmp_path / "a", "ACEScct", -2.0, size_1d=64, size_3d=33, tolerance=tight)
    assert [Path(one.file).name for one in told.files] == ["acescct_minus2.clf"]
    assert len(told.refused) == 2
    assert re.search(
        r"off by 0\.0\d+ stops \(tolerance 0\.001\); give more points \(--size-3d\), "
        r"or allow it with --tolerance-stops$",
        told.refused[1].why,
    )
    assert sorted(p.name for p in (tmp_path / "a").iterdir()) == [
        "acescct.txt",
        "acescct_minus2.clf",
    ]
    card = Path(told.card).read_text(encoding="utf-8")
    assert "acescct_minus2_3d33.cube: not handed out" in card


def test_nothing_handed_out_leaves_nothing(tmp_path):
    tight = Tolerance(stops=1e-9)
    told = made(tmp_path / "a", "ACEScct", -2.0, size_3d=9, formats=("3d",), tolerance=tight)
    assert told.files == ()
    assert told.card is None
    assert list(tmp_path.iterdir()) == []


def test_the_card_says_what_each_file_is_for(tmp_path):
    told = made(tmp_path, "Film Log", -1.0, -2.5, config=SMALL, size_3d=65)
    card = Path(told.card).read_text(encoding="utf-8")
    for one in told.files:
        assert Path(one.file).name in card
        assert f"{one.error_stops:.6f} stops" in card
    assert "For a recording 1 stop hot." in card
    assert f"gradeprep pull IN OUT --stops -2.5 --space 'Film Log' --config {HARBOUR}" in card
    assert "the pull is the same number" in card
    assert "clamps under code 0 and over code 1" in card
    assert max(len(line) for line in card.splitlines() if "gradeprep pull" not in line) <= 98


def test_what_is_there_stays_unless_told(tmp_path):
    order = prepare(SMALL, Ask(space="ACEScct", stops=(-1.0,), formats=("clf",)))
    make(order, tmp_path)
    before = snapshot(tmp_path)
    with pytest.raises(OutputRefusedError, match=r"minus1.clf: exists already and 1 more; say"):
        make(order, tmp_path)
    make(order, tmp_path, overwrite=True)
    assert snapshot(tmp_path) == before


def test_a_folder_must_be_one(tmp_path):
    order = prepare(SMALL, Ask(space="ACEScct", stops=(-1.0,), formats=("clf",)))
    (tmp_path / "file").write_text("mine")
    with pytest.raises(OutputRefusedError, match="is a file; name a folder"):
        make(order, tmp_path / "file")
    with pytest.raises(OutputRefusedError, match="cannot be made: Not a directory; name another"):
        make(order, tmp_path / "file" / "below")


# ---------------------------------------------------------------- what is refused before

BOUNDLESS = space_text(
    "Boundless",
    to_reference="!<LogAffineTransform> {base: 10, log_side_slope: 0.01, direction: inverse}",
)
DIM = space_text("Dim", to_reference="!<ExponentTransform> {value: [2, 2, 2, 1]}").replace(
    "!<ExponentTransform>",
    "!<GroupTransform>\n      children:\n        - !<MatrixTransform> "
    "{matrix: [0.1, 0, 0, 0, 0, 0.1, 0, 0, 0, 0, 0.1, 0, 0, 0, 0, 1]}\n"
    "        - !<ExponentTransform>",
)


@pytest.mark.parametrize(
    ("asked", "message"),
    [
        (
            {"space": "ACEScg"},
            "--space: 'ACEScg' is linear: it has no ceiling, and no monitor is fed",
        ),
        ({"space": "Raw"}, r"--space: 'Raw' is not log \(encoding: data\); name the log space"),
        ({"space": "ACESct"}, "has no space or role 'ACESct'; did you mean 'ACEScct'"),
        ({"space": "Boundless"}, "'Boundless' has no ceiling: code 1 stands for inf"),
        ({"space": "Dim"}, "'Dim' has no ceiling: code 1 stands for 0.01"),
        ({"size_3d": 1}, "--size-3d: a table cannot have 1 points; give 2 to 129"),
        ({"size_3d": 130}, "--size-3d: a table cannot have 130 points; give 2 to 129"),
        ({"size_1d": 1}, "--size-1d: a table cannot have 1 points; give 2 to 65536"),
        ({"size_1d": 65537}, "--size-1d: a table cannot have 65537 points"),
        ({"stops": ()}, "--stops: none are given"),
        ({"stops": (-1.0, -1.0)}, "--stops: a number of stops is given twice"),
        ({"stops": (float("nan"),)}, "--stops: nan is not a number of stops"),
        ({"stops": (-41.0,)}, "--stops: -41 stops is beyond"),
        ({"view": "Plain"}, "--view: is a view of no display; say --display as well"),
        ({"display": "Plan"}, "--display: .* has no display named 'Plan'; it has 'sRGB monitor'"),
        (
            {"display": PLAIN[0], "view": "Plane"},
            "--view: .* has no view of 'sRGB monitor' named 'Plane'; did you mean 'Plain'",
        ),
        ({"display": PLAIN[0], "view": "Raw"}, "--view: view 'Raw' .* shows the numbers"),
        (
            {"display": PLAIN[0], "formats": ("1d",)},
            "--format: 1d: view 'Plain' mixes the channels, .*; ask for --format 3d",
        ),
        ({"tolerance": Tolerance(stops=-1.0)}, "--tolerance-stops: -1.0 is no tolerance"),
        ({"tolerance": Tolerance(codes=float("nan"))}, "--tolerance-codes: nan is no tolerance"),
        ({"working": "ACEScct"}, "'ACEScct' is not scene-linear"),
    ],
)
def test_what_cannot_be_is_one_clear_line(asked, message, tmp_path):
    config = colour.load(str(harbour_with(tmp_path / "c.ocio", BOUNDLESS, DIM)))
    ask = {"space": "ACEScct", "stops": (-1.0,), **asked}
    with pytest.raises((ColourError, RequestError), match=message) as error:
        prepare(config, Ask(**ask))
    assert error.value.exit_code == 2
    assert "\n" not in str(error.value)


def test_a_space_that_mixes_channels_gets_no_1d_table(tmp_path):
    mixed = space_text(
        "Mixed",
        to_reference="!<GroupTransform>\n      children:\n        - !<MatrixTransform> {matrix: "
        "[0.9, 0.1, 0, 0, 0, 1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1]}\n        - !<LogTransform> "
        "{base: 10, direction: inverse}",
    )
    config = colour.load(str(harbour_with(tmp_path / "c.ocio", mixed)))
    told = made(tmp_path / "a", "Mixed", -1.0, config=config, size_3d=17)
    assert [one.format for one in told.files] == ["clf", "3d"]
    assert told.left_out == ("1d: 'Mixed' mixes the channels, so that no 1D table holds it",)
    assert told.files[0].error_codes < 0.01


def test_the_document_is_itself_again(tmp_path):
    told = made(tmp_path, "ACEScct", -1.0, config=SMALL, formats=("clf",))
    text = told.model_dump_json(by_alias=True)
    assert text.startswith('{"gradeprep_compensate":1,')
    assert CompensationDocument.model_validate_json(text) == told
