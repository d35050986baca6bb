"""The ready recipes: every file in configs/ is run as it stands, on small plates made for it."""

from __future__ import annotations

import json
import shutil
import struct
from collections.abc import Callable, Mapping
from pathlib import Path

import jsonschema
import numpy as np
import OpenEXR
import PyOpenColorIO as ocio
import pytest
import yaml
from harbour import CONFIGS, HARBOUR
from support import Ran, run, write_dpx, write_exr

from gradeprep.model.recipeschema import recipe_schema
from gradeprep.pipeline.recipefile import kinds
from gradeprep.plates import dpx

HEIGHT, WIDTH = 24, 40
WALL, CARD = 0.31, 0.18

Planes = Mapping[str, np.ndarray]


@pytest.fixture(autouse=True)
def _no_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("OCIO", raising=False)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A copy of configs/, so that the recipes' own paths lead into it."""
    return Path(shutil.copytree(CONFIGS, tmp_path / "configs"))


# ---------------------------------------------------------------- curves, from their formulas


def acescct(light: np.ndarray) -> np.ndarray:
    """Academy S-2016-001."""
    straight = 10.5402377416545 * light + 0.0729055341958355
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(light <= 0.0078125, straight, (np.log2(light) + 9.72) / 17.52)


def from_acescct(code: np.ndarray) -> np.ndarray:
    straight = (code - 0.0729055341958355) / 10.5402377416545
    return np.where(code <= 0.155251141552511, straight, 2.0 ** (code * 17.52 - 9.72))


BLACK = 10.0 ** ((95 - 685) / 300)


def film(light: np.ndarray) -> np.ndarray:
    """Code of 0..1023: 0.002 printing density a code, gamma 0.6, white 685, black 95."""
    return 685 + 300 * np.log10(light * (1 - BLACK) + BLACK)


def from_film(code: np.ndarray) -> np.ndarray:
    return (10.0 ** ((np.asarray(code, float) - 685) / 300) - BLACK) / (1 - BLACK)


def quay(light: np.ndarray) -> np.ndarray:
    return (np.log2(light + 1 / 64) + 6) / 16


def from_quay(code: np.ndarray) -> np.ndarray:
    return 2.0 ** (np.asarray(code, float) * 16 - 6) - 1 / 64


# ---------------------------------------------------------------- plates


def ramp(low: float, high: float) -> np.ndarray:
    """A neutral ramp of light, H x W, even in stops."""
    return np.tile(np.geomspace(low, high, WIDTH), (HEIGHT, 1))


def neutral(plane: np.ndarray) -> dict[str, np.ndarray]:
    return {name: np.ascontiguousarray(plane) for name in "RGB"}


def region(light: np.ndarray, box: tuple[float, float, float, float], value: float) -> None:
    """Fill a region told in fractions of the picture."""
    x, y, width, height = box
    rows = slice(round(y * HEIGHT), round((y + height) * HEIGHT))
    columns = slice(round(x * WIDTH), round((x + width) * WIDTH))
    light[rows, columns] = value


def codes(plane: np.ndarray) -> np.ndarray:
    return np.clip(np.rint(plane), 0, 1023).astype(np.uint16)


def read_exr(path: Path) -> tuple[dict[str, np.ndarray], dict]:
    part = OpenEXR.File(str(path), separate_channels=True).parts[0]
    return {name: channel.pixels for name, channel in part.channels.items()}, part.header


def read_dpx(path: Path) -> Planes:
    return dpx.read(path).parts[0].channels


# ---------------------------------------------------------------- what each recipe is run on


def single(folder: Path) -> Callable[[Mapping], None]:
    light = ramp(0.004, 40.0)
    for number in (1001, 1002, 1003):
        planes = neutral(acescct(light).astype(np.float32))
        write_exr(folder / f"plates/quay_0100.{number}.exr", planes)

    def check(plan: Mapping) -> None:
        assert set(plan["shots"]["quay_0100"]["kernels"]) == {"light"}
        for number in (1001, 1002, 1003):
            planes, header = read_exr(folder / f"out/quay_0100/quay_0100.{number}.exr")
            assert header["gradeprepStops"] == pytest.approx(-3.0)
            # the curve of the lift, by its own definition
            tone = np.log2(light / 8 / 0.18)
            x = np.clip((-3.0 - tone) / 3.0, 0.0, 1.0)
            wanted = light / 8 * 2.0 ** (x**3 * (6 * x**2 - 15 * x + 10))
            assert wanted[0, 0] > 1.9 * light[0, 0] / 8  # the darkest end is lifted,
            assert wanted[0, -1] == light[0, -1] / 8  # the brightest is only pulled
            for plane in planes.values():
                np.testing.assert_allclose(from_acescct(plane.astype(float)), wanted, rtol=2e-5)

    return check


def scene(folder: Path) -> Callable[[Mapping], None]:
    over = {"quay_0110": 3.0, "quay_0120": 2.25, "quay_0130": 3.6, "quay_0140": 1.5}
    surface = {
        "quay_0110": ((0.55, 0.2, 0.3, 0.3), WALL),
        "quay_0120": ((0.55, 0.2, 0.3, 0.3), WALL),
        "quay_0130": ((0.1, 0.6, 0.3, 0.3), WALL),
        "quay_0140": ((0.1, 0.1, 0.2, 0.2), CARD),
    }
    true = {}
    for shot, stops in over.items():
        true[shot] = ramp(0.02, 8.0)
        region(true[shot], *surface[shot])
        planes = neutral(quay(true[shot] * 2.0**stops).astype(np.float32))
        for number in (1001, 1002):
            write_exr(folder / f"plates/{shot}.{number}.exr", planes)

    def check(plan: Mapping) -> None:
        for shot, stops in over.items():
            told = plan["shots"][shot]
            readings = [reading["stops"] for reading in told["document"]["readings"]]
            assert readings == ([] if shot == "quay_0110" else pytest.approx([-stops], abs=1e-4))
            for number in (1001, 1002):
                planes, header = read_exr(folder / f"out/{shot}/{shot}.{number}.exr")
                assert header["gradeprepStops"] == pytest.approx(-stops, abs=1e-4)
                for plane in planes.values():
                    np.testing.assert_allclose(from_quay(plane), true[shot], rtol=1e-4)

    return check


def dpx_log(folder: Path) -> Callable[[Mapping], None]:
    source = codes(np.tile(np.linspace(95, 1000, WIDTH), (HEIGHT, 1)))
    for number in range(1, 6):
        path = folder / f"plates/pier_0200.{number:04d}.dpx"
        write_dpx(path, neutral(source), timecode=f"01:00:00:{number:02d}")

    def check(plan: Mapping) -> None:
        assert plan["shots"]["pier_0200"]["document"]["colour"]["result"] == "Film Log"
        for number in range(1, 6):
            stops = -2.0 + (number - 1) / 4  # keys at frames 1 and 5
            path = folder / f"out/pier_0200/pier_0200.{number:04d}.dpx"
            wanted = np.rint(film(from_film(source) * 2.0**stops))
            for plane in read_dpx(path).values():
                assert np.abs(plane - wanted).max() <= 1
                assert np.count_nonzero(plane != wanted) <= 0.01 * plane.size
            _dpx_header(path, number)

    return check


def _dpx_header(path: Path, number: int) -> None:
    """SMPTE ST 268: depth and transfer of the first image element, size, and time code."""
    head = path.read_bytes()[:2048]
    order = {b"SDPX": ">", b"XPDS": "<"}[head[:4]]
    assert struct.unpack_from(f"{order}II", head, 772) == (WIDTH, HEIGHT)
    assert head[801] == 3  # transfer characteristic: logarithmic
    assert head[803] == 10  # bits
    (timecode,) = struct.unpack_from(f"{order}I", head, 1920)
    assert timecode == int(f"010000{number:02d}", 16)  # SMPTE ST 12-1, decimal digits in nibbles


def aces(folder: Path) -> Callable[[Mapping], None]:
    source = codes(film(ramp(0.02, 12.0)))
    write_dpx(folder / "plates/pier_0300.0001.dpx", neutral(source))
    hot = ramp(0.01, 60.0)
    write_exr(folder / "plates/pier_0310.0001.exr", neutral(acescct(hot).astype(np.float16)))
    write_exr(folder / "plates/pier_0320.0001.exr", neutral(hot.astype(np.float32)))
    recorded = from_acescct(acescct(hot).astype(np.float16).astype(float))
    wanted = {
        "pier_0300": from_film(source) / 4,
        "pier_0310": recorded / 4,
        "pier_0320": hot / 2,
    }

    def check(plan: Mapping) -> None:
        for shot, light in wanted.items():
            assert plan["shots"][shot]["document"]["colour"]["result"] == "ACES2065-1"
            path = folder / f"aces/{shot}/{shot}.0001.exr"
            planes, header = read_exr(path)
            _aces_container(path, planes, header)
            for plane in planes.values():  # a neutral is the same in all primaries here
                # a half's rounding is 2^-11 of the value; the matrices keep neutral to 1e-5
                np.testing.assert_allclose(plane.astype(float), light, rtol=2.0**-11 + 2e-5)

    return check


def _aces_container(path: Path, planes: Planes, header: Mapping) -> None:
    """SMPTE ST 2065-4, in what the library tells and in the file's own bytes."""
    head = path.read_bytes()[:4096]
    assert head[:8] == bytes([0x76, 0x2F, 0x31, 0x01]) + struct.pack("<I", 2)
    assert _attribute(head, "acesImageContainerFlag", "int") == struct.pack("<i", 1)
    assert _attribute(head, "compression", "compression") == b"\0"
    ap0 = (0.7347, 0.2653, 0.0, 1.0, 0.0001, -0.077, 0.32168, 0.33767)  # SMPTE ST 2065-1
    assert _attribute(head, "chromaticities", "chromaticities") == struct.pack("<8f", *ap0)
    assert set(planes) == {"R", "G", "B"}
    assert {plane.dtype for plane in planes.values()} == {np.dtype(np.float16)}
    assert header["type"] == OpenEXR.scanlineimage


def _attribute(head: bytes, name: str, kind: str) -> bytes:
    """Bytes of an attribute by the OpenEXR file layout: name, type, size, value."""
    mark = f"{name}\0{kind}\0".encode()
    assert head.count(mark) == 1, name
    start = head.index(mark) + len(mark)
    (size,) = struct.unpack_from("<i", head, start)
    return head[start + 4 : start + 4 + size]


RECIPES: dict[str, Callable[[Path], Callable[[Mapping], None]]] = {
    "single.yaml": single,
    "scene.yaml": scene,
    "dpx-log.yaml": dpx_log,
    "aces.yaml": aces,
}


# ---------------------------------------------------------------- the tests


def test_every_file_in_configs_is_run_here():
    recipes = {path.name for path in CONFIGS.iterdir() if path.suffix in (".yaml", ".yml")}
    others = {path.name for path in CONFIGS.iterdir()} - recipes
    assert recipes == set(RECIPES)
    assert others == {HARBOUR.name}


@pytest.mark.parametrize("name", RECIPES)
def test_a_recipe_does_what_it_says(name: str, folder: Path, capsys: pytest.CaptureFixture[str]):
    check = RECIPES[name](folder)
    before = {path: path.read_bytes() for path in (folder / "plates").iterdir()}
    planned = run(capsys, "plan", folder / name, "--json")
    assert planned.code == 0, planned
    assert not any((folder / made).exists() for made in ("out", "aces"))
    done = run(capsys, "run", folder / name, "--jobs", 1)
    assert _clean(done), done
    plan = json.loads(planned.out)
    check(plan)
    for shot in plan["shots"]:
        (sidecar,) = folder.rglob(f"{shot}.stops.json")
        audited = run(capsys, "audit", sidecar)
        assert audited.code == 0, audited
    assert {path: path.read_bytes() for path in (folder / "plates").iterdir()} == before


def _clean(ran: Ran) -> bool:
    return ran.code == 0 and "gradeprep:" not in ran.err and "fail:" not in ran.out


@pytest.mark.parametrize("name", RECIPES)
def test_a_recipe_keeps_the_schema_that_editors_complete_from(name: str):
    text = (CONFIGS / name).read_text(encoding="utf-8")
    written = json.loads(json.dumps(yaml.safe_load(text)))  # JSON has no keys but text
    jsonschema.validate(written, recipe_schema(kinds()))


def test_a_recipe_explains_itself():
    """Each opens with a comment that says what it is for, and how it is run."""
    for name in RECIPES:
        text = (CONFIGS / name).read_text(encoding="utf-8")
        head = text.partition("\ngradeprep: 1\n")[0]
        assert all(line.startswith("#") for line in head.splitlines() if line), name
        assert f"gradeprep run {name}" in head


# ---------------------------------------------------------------- the shipped OpenColorIO config


def test_the_shipped_config_is_valid_and_every_path_in_it_builds():
    config = ocio.Config.CreateFromFile(str(HARBOUR))
    config.validate()
    reference = config.getColorSpace("aces_interchange").getName()
    for space in config.getColorSpaceNames(ocio.SEARCH_REFERENCE_SPACE_ALL, ocio.COLORSPACE_ALL):
        assert config.getColorSpace(space).getDescription(), space
        for ends in ((space, reference), (reference, space)):
            config.getProcessor(*ends).getDefaultCPUProcessor()
    for display in config.getDisplays():
        for view in config.getViews(display):
            config.getProcessor(reference, display, view, ocio.TRANSFORM_DIR_FORWARD)


def test_the_shipped_config_reads_no_file():
    assert "FileTransform" not in HARBOUR.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("space", "encode"),
    [
        ("ACEScct", acescct),
        ("Quay Log", quay),
        ("Film Log", lambda light: film(light) / 1023),
    ],
)
def test_the_curves_of_the_shipped_config_are_their_formulas(space, encode):
    config = ocio.Config.CreateFromFile(str(HARBOUR))
    light = np.concatenate([[0.0], np.geomspace(1e-5, 200.0, 999)])
    pixels = np.repeat(light[:, None], 3, axis=1).astype(np.float32)
    processor = config.getProcessor("scene_linear", space).getOptimizedCPUProcessor(
        ocio.BIT_DEPTH_F32, ocio.BIT_DEPTH_F32, ocio.OPTIMIZATION_LOSSLESS
    )
    processor.apply(ocio.PackedImageDesc(pixels, len(light), 1, 3))
    np.testing.assert_allclose(pixels[:, 1], encode(light), atol=1e-6)
