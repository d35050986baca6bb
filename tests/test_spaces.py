"""Every log and scene-linear space of the built-in studio config, as input and as output.

The spaces are found by asking the config, so that a newer one is tested as it is. The published
formulas of camera curves come from another library, found by asking it too.
"""

from __future__ import annotations

import re
import warnings
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import numpy as np
import OpenEXR
import PyOpenColorIO as ocio
import pytest
from harbour import converted
from support import run, write_exr

from gradeprep import colour
from gradeprep.colour import BUILT_IN

CONFIG = colour.load(BUILT_IN)
RAW = ocio.Config.CreateFromFile(BUILT_IN)
SPACES = tuple(CONFIG.with_encoding("log", "scene-linear"))
LOGS = tuple(CONFIG.with_encoding("log"))
REFERENCE = CONFIG.space("aces_interchange")

TEN_BITS = 1023.0


@pytest.fixture(autouse=True)
def _no_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("OCIO", raising=False)


def apart(source: str, result: str, rgb: np.ndarray) -> np.ndarray:
    """A conversion by another processor than ours: N x 3, nothing optimized."""
    pixels = rgb.astype(np.float32)[None].copy()
    RAW.getProcessor(source, result).getOptimizedCPUProcessor(
        ocio.BIT_DEPTH_F32, ocio.BIT_DEPTH_F32, ocio.OPTIMIZATION_NONE
    ).apply(ocio.PackedImageDesc(pixels, rgb.shape[0], 1, 3))
    return pixels[0].astype(np.float64)


def halved(space: str, rgb: np.ndarray, result: str) -> np.ndarray:
    """Encode(decode(x) / 2) through the reference space, the halving in float64."""
    return apart(REFERENCE, result, apart(space, REFERENCE, rgb) / 2.0)


def picture(space: str) -> np.ndarray:
    """N x 3 colours, moderately saturated: codes 0..1, or light over 20 stops."""
    if CONFIG.encoding(space) == "log":
        code = np.linspace(0.0, 1.0, 257)
        rgb = [code, np.clip(code * 0.97 + 0.01, 0, 1), np.clip(code * 0.94 + 0.03, 0, 1)]
        return np.stack(rgb, axis=-1)
    light = np.geomspace(2.0**-12, 2.0**8, 257)
    return np.stack([light, light * 0.8, light * 1.1], axis=-1)


# ---------------------------------------------------------------- through the program


def recipe(space: str) -> str:
    def shot(name: str, kind: str, stops: int, result: str) -> str:
        return (
            f"  {name}: {{plate: {kind}.exr, stages: [{{pull: {{stops: {stops}}}}}], "
            f"output: {{plate: out/{name}.exr, space: {result}}}}}\n"
        )

    return (
        f"gradeprep: 1\ndefaults: {{space: '{space}'}}\nshots:\n"
        + shot("zero_half", "half", 0, "source")
        + shot("zero_float", "float", 0, "source")
        + shot("half", "half", -1, "source")
        + shot("float", "float", -1, "source")
        + shot("light", "float", -1, "ACEScg")
    )


def planes(path: Path) -> np.ndarray:
    channels = OpenEXR.File(str(path), separate_channels=True).channels()
    return np.stack([channels[name].pixels[0] for name in "RGB"], axis=-1)


@pytest.mark.parametrize("space", SPACES)
def test_a_space_is_read_pulled_and_written(space, tmp_path, capsys):
    rgb = picture(space)
    sources = {"half": rgb.astype(np.float16), "float": rgb.astype(np.float32)}
    for name, values in sources.items():
        write_exr(tmp_path / f"{name}.exr", dict(zip("RGB", values.T[:, None], strict=True)))
    (tmp_path / "r.yaml").write_text(recipe(space), encoding="utf-8")
    ran = run(capsys, "run", tmp_path / "r.yaml", "--jobs", 1, "--quiet")
    assert ran.code == 0, ran
    made = {path.stem: planes(path) for path in (tmp_path / "out").glob("*.exr")}

    for name, values in sources.items():  # by no stops: not one bit is another
        assert made[f"zero_{name}"].dtype == values.dtype
        assert made[f"zero_{name}"].tobytes() == values.tobytes()

    for name, values in sources.items():
        wanted = halved(space, values, space)
        if CONFIG.encoding(space) == "scene-linear":  # a plain half of it, rounded once
            assert np.array_equal(made[name], (values.astype(np.float64) / 2).astype(values.dtype))
            np.testing.assert_allclose(made[name], wanted, rtol=2.0**-11 + 4e-6)
        else:
            rounding = 2.0**-12 if name == "half" else 0.0  # of a half between 0.5 and 1
            np.testing.assert_allclose(made[name], wanted, rtol=0, atol=1e-6 + rounding)

    wanted = halved(space, sources["float"], "ACEScg")
    largest = np.abs(wanted).max(axis=-1, keepdims=True)  # a matrix shares its rounding out
    assert np.all(np.abs(made["light"] - wanted) <= 4e-6 * largest + 1e-7)


# ---------------------------------------------------------------- the whole cube of codes


def cube(space: str) -> np.ndarray:
    steps = np.linspace(0.0, 1.0, 17)
    return np.stack(np.meshgrid(steps, steps, steps, indexing="ij"), axis=-1).reshape(-1, 3)


def worst(space: str, stops: float) -> float:
    """Largest difference from the other processor over the cube, in ten-bit codes."""
    light = converted(CONFIG, space, "ACEScg", cube(space))
    ours = converted(CONFIG, "ACEScg", space, light * np.float32(2.0**stops))
    wanted = cube(space) if stops == 0.0 else halved(space, cube(space), space)
    return float(np.abs(ours - wanted).max() * TEN_BITS)


def test_the_most_saturated_codes_stay_within_a_quarter_of_a_ten_bit_code():
    """Float32 through two matrices is what it costs, where a curve is steep near black.

    Curves that cannot write a negative light at all (pure logarithms, printing densities) lose
    such colours in any conversion, a pull by nothing included: they are told apart by that.
    """
    lossy = [space for space in LOGS if worst(space, 0.0) > 1.0]
    assert len(lossy) <= 3
    beyond = {s: worst(s, -1.0) for s in LOGS if s not in lossy and worst(s, -1.0) > 0.25}
    assert not beyond


# ---------------------------------------------------------------- curves against their formulas


@pytest.fixture(scope="module")
def science() -> ModuleType:
    """The library of published formulas; it warns on import of what it could do with more."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return pytest.importorskip("colour")


def plain(name: str) -> str:
    return re.sub(r"[^a-z0-9]", "", name.lower())


def formula(science: ModuleType, space: str) -> Callable[[np.ndarray], np.ndarray] | None:
    """The decoding whose name a space's name begins with, the longest one; None where none."""
    fits = []
    for table in (science.LOG_DECODINGS, science.CCTF_DECODINGS):
        for name in table:
            head = plain(name.removesuffix(" Profile"))
            rest = plain(space).removeprefix(head)
            if plain(space).startswith(head) and not rest[:1].isdigit():
                fits.append((len(head), name, table[name]))
    return max(fits, key=lambda fit: fit[0])[2] if fits else None


def error_in_stops(
    science: ModuleType, space: str, decode: Callable[[np.ndarray], np.ndarray]
) -> tuple[np.ndarray, np.ndarray]:
    """Light by the formula, above 0.001, and how far ours is from it."""
    code = np.linspace(0.0, 1.0, 4097)
    with warnings.catch_warnings(), np.errstate(all="ignore"):
        warnings.simplefilter("ignore")
        light = np.asarray(decode(code), np.float64)
    bright = light > 0.001
    ours = converted(CONFIG, space, "ACEScg", code)[bright].astype(np.float64)
    return light[bright], np.abs(np.log2(ours / light[bright, None])).max(axis=-1)


@pytest.mark.parametrize("space", LOGS)
def test_a_curve_decodes_to_its_published_formula(space, science):
    decode = formula(science, space)
    if decode is None:
        pytest.skip("no published formula at hand")
    light, error = error_in_stops(science, space, decode)
    assert light.size > 2000
    assert error[light > 0.012].max() < 2e-4
    assert error.max() < 2e-3  # straight toes are published with few digits


def test_but_one_curve_is_within_its_formula_down_to_a_thousandth_of_white(science):
    worst_of = {}
    for space in LOGS:
        decode = formula(science, space)
        if decode is not None:
            worst_of[space] = error_in_stops(science, space, decode)[1].max()
    assert len(worst_of) >= 14
    assert sum(error >= 2e-4 for error in worst_of.values()) <= 1


def test_acescct_is_its_closed_equation():
    """Academy S-2016-001."""
    light = np.concatenate([[-0.006, 0.0, 0.0078125], np.geomspace(1e-4, 222.8, 2000)])
    code = np.where(
        light <= 0.0078125,
        10.5402377416545 * light + 0.0729055341958355,
        (np.log2(np.maximum(light, 1e-9)) + 9.72) / 17.52,
    )
    ours = converted(CONFIG, "ACEScct", "ACEScg", code)[:, 1]
    np.testing.assert_allclose(ours, light, rtol=3e-6, atol=1e-8)
    np.testing.assert_allclose(converted(CONFIG, "ACEScg", "ACEScct", light)[:, 1], code, atol=5e-7)


def test_acescc_is_its_closed_equation():
    """Academy S-2014-003: a pure logarithm, with a curved toe below 2^-15."""
    light = np.geomspace(2.0**-15, 222.8, 2000)
    code = (np.log2(light) + 9.72) / 17.52
    ours = converted(CONFIG, "ACEScc", "ACEScg", code)[:, 1]
    np.testing.assert_allclose(ours[light > 1e-3], light[light > 1e-3], rtol=1e-5)
    toe = np.array([0.0, 2.0**-24, 2.0**-16])
    toe_code = (np.log2(2.0**-16 + toe / 2) + 9.72) / 17.52
    # the library holds this toe as a table: 5e-5 of a code where the two parts meet
    for values, wanted in ((light, code), (toe, toe_code)):
        encoded = converted(CONFIG, "ACEScg", "ACEScc", values)[:, 1]
        np.testing.assert_allclose(encoded, wanted, atol=5e-5)


@pytest.mark.parametrize("space", ["ACEScct", "ACEScc"])
def test_grey_and_white_have_their_published_codes(space):
    """Academy S-2014-003, S-2016-001: one stop is 1/17.52 of the code above the toe."""
    found = converted(CONFIG, "ACEScg", space, [0.18, 1.0, 0.36])[:, 1]
    np.testing.assert_allclose(found, [0.4135884, 0.5547945, 0.4706660], atol=1e-6)
