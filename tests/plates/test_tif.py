"""TIFF in and out, compared with tifffile, which shares no code with the library that writes.

Tags and their meaning: TIFF 6.0 (1992).
"""

from __future__ import annotations

import json
import struct
import subprocess
import sys

import numpy as np
import OpenEXR
import pytest
import tifffile
from support import run, write_dpx, write_exr

from gradeprep.errors import CannotCarryError, PlateError, TornFrameError
from gradeprep.model.frame import Frame, Part
from gradeprep.model.order import OutputOrder
from gradeprep.plates import dpxheader, files, tif
from gradeprep.plates.format import Shared, Stamp

LINEAR = ("--space", "ACEScg")
ODD_BITS = [
    *(0x7F800000, 0xFF800000, 0x7FC00001, 0x7F800001, 0xFFFFFFFF),  # infinities and NaNs
    *(0x00000001, 0x807FFFFF, 0x00800000, 0x80000000, 0x7F7FFFFF),  # denormals, -0, extremes
]
"""Patterns of IEEE 754-2019 binary32 that careless arithmetic changes."""


def noise(kind, shape, seed=5):
    chance = np.random.default_rng(seed)
    if kind == "float":
        plane = chance.normal(size=shape).astype(np.float32)
        flat = plane.reshape(-1)
        count = min(flat.size, len(ODD_BITS))
        flat[:count] = np.array(ODD_BITS[:count], np.uint32).view(np.float32)
        return plane
    return chance.integers(0, np.iinfo(kind).max, shape, kind, endpoint=True)


def written(path, planes, *, kind="float", compression="zip", shared=None, stamp=None):
    """A result made of planes of another format."""
    bits = None if kind == "float" else int(kind[4:])
    order = OutputOrder(format="tif", type=kind, compression=compression)
    stamp = stamp or Stamp(0.0, (), space_changed=False, chromaticities=None, encoding="")
    source = Frame("", (Part("", planes, {}, bits),))
    frame, notes = tif.carried(source, shared or Shared(), {}, order, stamp, path.name)
    files.write(frame, path)
    return notes


def second(path):
    """Planes by another reader, H x W x samples."""
    found = tifffile.imread(path)
    return found[..., None] if found.ndim == 2 else found


def same_bits(a, b):
    return a.dtype == b.dtype and a.shape == b.shape and a.tobytes() == b.tobytes()


@pytest.mark.parametrize("size", [(1, 1), (1, 7), (5, 3), (67, 41)])
@pytest.mark.parametrize("compression", tif.COMPRESSIONS)
@pytest.mark.parametrize("kind", tif.TYPES)
@pytest.mark.parametrize("names", ["RGB", "RGBA", "Y", "YA"])
def test_another_reader_finds_every_bit(names, kind, compression, size, tmp_path):
    planes = {name: noise(kind, size, seed=ord(name)) for name in names}
    path = tmp_path / "quay.tif"
    written(path, planes, kind=kind, compression=compression)
    there = second(path)
    for index, name in enumerate(names):
        assert same_bits(np.ascontiguousarray(there[..., index]), planes[name])
    found = files.read(path).parts[0].channels
    assert list(found) == list(names)
    assert all(same_bits(found[name], planes[name]) for name in names)
    assert files.inspect(path).parts[0].compression == compression


def test_compressions_are_those_that_the_file_states(tmp_path):
    """Compression tag: 1 none, 5 LZW, 32773 PackBits (TIFF 6.0); 8 deflate (tifffile)."""
    found = {}
    for name in tif.COMPRESSIONS:
        written(
            tmp_path / "quay.tif", {"Y": noise("uint16", (9, 9))}, compression=name, kind="uint16"
        )
        with tifffile.TiffFile(tmp_path / "quay.tif") as file:
            found[name] = int(file.pages[0].compression)
    assert found == {"none": 1, "lzw": 5, "zip": 8, "packbits": 32773}


@pytest.mark.parametrize("kind", ["float", "uint16"])
def test_pull_run_twice_restore_and_audit(kind, tmp_path, capsys):
    hot = tmp_path / "hot.1001.tif"
    pixels = np.linspace(0.01, 0.9, 8 * 6 * 3).reshape(8, 6, 3)
    pixels = (
        pixels.astype(np.float32) if kind == "float" else (pixels * 30000).astype(np.uint16) * 2
    )
    tifffile.imwrite(hot, pixels, photometric="rgb", description="slate 12\ntake 3", software="cam")
    before = hot.read_bytes()
    ask = ("pull", hot, tmp_path / "mix", *LINEAR, "--stops", "-1")
    assert run(capsys, *ask).code == 0
    result = tmp_path / "mix" / "hot.1001.tif"
    half = pixels / 2
    assert same_bits(second(result), half.astype(pixels.dtype))
    layout = files.inspect(result)
    assert (layout.pulled, len(layout.history)) == (-1.0, 1)
    with tifffile.TiffFile(result) as file:
        description = file.pages[0].description
        assert file.pages[0].software == "cam"
    assert description.splitlines()[1:] == ["slate 12", "take 3"]
    assert (
        json.loads(description.splitlines()[0].removeprefix("gradeprep "))["gradeprepStops"] == -1.0
    )

    again = run(capsys, "pull", result, tmp_path / "twice", *LINEAR, "--stops", "-1")
    assert again.code != 0
    assert "pulled" in again.err
    assert not (tmp_path / "twice").exists()

    sidecar = next((tmp_path / "mix").glob("*.json"))
    assert run(capsys, "audit", sidecar).code == 0
    assert run(capsys, "restore", sidecar, tmp_path / "back").code == 0
    back = tmp_path / "back" / "hot.1001.tif"
    if kind == "float":
        assert same_bits(second(back), pixels)
    assert files.inspect(back).pulled is None
    with tifffile.TiffFile(back) as file:
        assert file.pages[0].description == "slate 12\ntake 3"
    assert hot.read_bytes() == before


def test_halves_come_out_as_floats_with_timecode_and_notes(tmp_path, capsys):
    hot, out = tmp_path / "hot.1001.exr", tmp_path / "out.1001.tif"
    planes = {name: np.linspace(0, 4, 12, dtype=np.float16).reshape(3, 4) for name in "RGBA"}
    time = OpenEXR.TimeCode()
    time.hours, time.minutes, time.seconds, time.frame = 1, 2, 3, 4
    write_exr(hot, planes, timeCode=time, owner="harbour", pixelAspectRatio=2.0)
    assert run(capsys, "pull", hot, out, *LINEAR, "--stops", "-2").code == 0
    there = second(out)
    assert same_bits(np.ascontiguousarray(there[..., 0]), planes["R"].astype(np.float32) / 4)
    assert same_bits(np.ascontiguousarray(there[..., 3]), planes["A"].astype(np.float32))
    layout = files.inspect(out)
    assert (layout.timecode, layout.parts[0].channels["R"]) == ("01:02:03:04", "float")
    record = json.loads(next(tmp_path.glob("*.stops.json")).read_text())
    assert "owner left out: TIFF has no field for them" in record["frames"][0]["done"]["header"]
    with tifffile.TiffFile(out) as file:
        tags = file.pages[0].tags
        # TIFF 6.0, section 8: without a unit, the two resolutions state the aspect of a pixel.
        assert (tags["XResolution"].value, tags["YResolution"].value) == ((1, 1), (2, 1))
        assert tags["ResolutionUnit"].value == 1
        assert [int(extra) for extra in file.pages[0].extrasamples] == [1]  # associated alpha


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (("--type", "half"), "type half does not exist in TIFF; set output.type: float"),
        (("--type", "uint10"), "type uint10 does not exist in TIFF; set output.type: uint16"),
        (("--compression", "piz"), "compression piz does not exist in TIFF"),
        (("--container", "aces"), "TIFF has no ACES container"),
    ],
)
def test_what_tiff_does_not_have(options, says, tmp_path, capsys):
    hot = write_exr(tmp_path / "hot.exr", dict.fromkeys("RGB", np.ones((2, 2), np.float16)))
    said = run(capsys, "pull", hot, tmp_path / "out.tif", *LINEAR, "--stops", "-1", *options)
    assert said.code == 2
    assert says in said.err


@pytest.mark.parametrize(("kind", "instead"), [("float16", "float"), ("uint16", "uint16")])
def test_a_source_type_that_results_do_not_have(kind, instead, tmp_path, capsys):
    """Half by SampleFormat 3 of 16 bits, and 12 bits a sample: both outside TIFF 6.0 results."""
    hot = tmp_path / "hot.tif"
    if kind == "float16":
        tifffile.imwrite(hot, np.ones((4, 4, 3), kind), photometric="rgb")
    else:
        codes = np.full((4, 4, 3), 4000, kind)
        tifffile.imwrite(hot, codes, photometric="rgb", bitspersample=12)
    said = run(capsys, "pull", hot, tmp_path / "out", *LINEAR, "--stops", "-1")
    assert said.code != 0
    assert f"set output.type: {instead}" in said.err
    typed = ("--type", instead)
    assert run(capsys, "pull", hot, tmp_path / "out", *LINEAR, "--stops", "-1", *typed).code == 0
    assert second(tmp_path / "out" / "hot.tif").dtype.name == instead.replace("float", "float32")


@pytest.mark.parametrize("compression", tif.COMPRESSIONS)
def test_a_file_cut_anywhere_is_found(compression, tmp_path):
    path = tmp_path / "quay.tif"
    planes = {name: noise("uint16", (70, 23)) for name in "RGB"}
    written(path, planes, kind="uint16", compression=compression)
    _refused_when_cut(path)


@pytest.mark.parametrize("layout", ["tiles", "planes", "big", "big-endian", "directory last"])
def test_a_foreign_file_cut_anywhere_is_found(layout, tmp_path):
    path = tmp_path / "quay.tif"
    pixels = np.stack([noise("uint16", (40, 36), seed=n) for n in range(3)], axis=-1)
    options = {
        "tiles": {"tile": (16, 16)},
        "planes": {"planarconfig": "separate"},
        "big": {"bigtiff": True},
        "big-endian": {"byteorder": ">"},
        "directory last": {"compression": "zlib"},
    }[layout]
    stored = np.moveaxis(pixels, -1, 0).copy() if layout == "planes" else pixels
    tifffile.imwrite(path, stored, photometric="rgb", metadata=None, **options)
    files.inspect(path)
    found = files.read(path).parts[0].channels
    assert all(same_bits(found[name], pixels[..., i].copy()) for i, name in enumerate("RGB"))
    _refused_when_cut(path)


def _refused_when_cut(path):
    whole = path.read_bytes()
    ends = {*range(40), *range(40, len(whole), 97), *range(len(whole) - 40, len(whole))}
    for end in sorted(ends):
        path.write_bytes(whole[:end])
        for door in (files.inspect, files.read):
            with pytest.raises(TornFrameError):
                door(path)
    path.write_bytes(whole)
    files.read(path)


def test_no_change_of_a_directory_byte_ends_in_another_error(tmp_path):
    path = tmp_path / "quay.tif"
    written(path, {"Y": noise("uint16", (9, 9))}, kind="uint16", compression="none")
    whole = path.read_bytes()
    for place in range(8, 250):
        for value in (0, 1, 0x7F, 0xFF):
            path.write_bytes(whole[:place] + bytes([value]) + whole[place + 1 :])
            for door in (files.inspect, files.read):
                try:
                    door(path)
                except PlateError:
                    continue


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ({"photometric": "miniswhite"}, "neither RGB nor grey"),
        ({"photometric": "minisblack", "dtype": "float64"}, "its samples are double"),
        ({"photometric": "minisblack", "dtype": "int16"}, "its samples are int16"),
        ({"photometric": "minisblack", "pages": 2}, "more than one image"),
    ],
)
def test_kinds_that_are_refused(options, says, tmp_path):
    path = tmp_path / "quay.tif"
    pages, kind = options.pop("pages", 1), options.pop("dtype", "uint16")
    with tifffile.TiffWriter(path) as file:
        for _ in range(pages):
            file.write(np.ones((5, 4), kind), **options)
    for door in (files.inspect, files.read):
        with pytest.raises(CannotCarryError, match=says):
            door(path)


def test_straight_alpha_stays_as_it_is_in_tiff_and_goes_nowhere_else(tmp_path, capsys):
    """ExtraSamples 2 is unassociated alpha (TIFF 6.0, section 18); EXR holds associated alpha."""
    hot = tmp_path / "hot.tif"
    pixels = noise("uint16", (6, 5, 4)) // 2 * 2
    tifffile.imwrite(hot, pixels, photometric="rgb", extrasamples=["unassalpha"])
    assert run(capsys, "pull", hot, tmp_path / "out", *LINEAR, "--stops", "-1").code == 0
    result = tmp_path / "out" / "hot.tif"
    assert same_bits(second(result)[..., 3].copy(), pixels[..., 3].copy())
    assert same_bits(second(result)[..., 0].copy(), pixels[..., 0] // 2)
    with tifffile.TiffFile(result) as file:
        assert [int(extra) for extra in file.pages[0].extrasamples] == [2]
    said = run(capsys, "pull", hot, tmp_path / "out.exr", *LINEAR, "--stops", "-1")
    assert said.code != 0
    assert "alpha is straight, EXR holds associated alpha" in said.err


def test_fields_are_kept_or_named(tmp_path, capsys):
    hot, out = tmp_path / "hot.tif", tmp_path / "out" / "hot.tif"
    profile = bytes(range(200)) + b"\0" * 7
    tifffile.imwrite(
        hot,
        np.ones((4, 6, 3), np.float32),
        photometric="rgb",
        description="slate 12",
        software="recorder 4",
        datetime="2026:01:02 03:04:05",
        resolution=(96, 48),
        resolutionunit="INCH",
        iccprofile=profile,
        metadata=None,
        extratags=[
            (315, 2, None, "harbour", True),  # Artist
            (33432, 2, None, "harbour film", True),  # Copyright
            (65000, 3, 1, 7, True),  # a private tag
        ],
    )
    assert run(capsys, "pull", hot, out.parent, *LINEAR, "--stops", "-1").code == 0
    with tifffile.TiffFile(out) as file:
        tags = {tag.name: tag.value for tag in file.pages[0].tags}
    assert tags["Artist"] == "harbour"
    assert tags["Copyright"] == "harbour film"
    assert tags["Software"] == "recorder 4"
    assert tags["DateTime"] == "2026:01:02 03:04:05"
    assert (tags["XResolution"], tags["YResolution"]) == ((96, 1), (48, 1))
    assert tags["ResolutionUnit"] == 2
    assert tags["InterColorProfile"] == profile
    record = json.loads(next(out.parent.glob("*.stops.json")).read_text())
    assert record["frames"][0]["done"]["header"] == [
        "tag 65000 left out: TIFF results do not hold them"
    ]


def test_equal_orders_give_equal_bytes_at_any_time(tmp_path):
    planes = {"Y": noise("float", (4, 4))}
    written(tmp_path / "one.tif", planes)
    written(tmp_path / "two.tif", planes)
    assert (tmp_path / "one.tif").read_bytes() == (tmp_path / "two.tif").read_bytes()
    with tifffile.TiffFile(tmp_path / "one.tif") as file:
        assert file.pages[0].tags["DateTime"].value == ""


def test_beyond_32_bit_offsets_it_is_bigtiff(tmp_path, monkeypatch):
    """Version 43 in the header (BigTIFF); the limit is lowered, so that no test writes 4 GiB."""
    monkeypatch.setattr(tif, "_CLASSIC_LIMIT", 1000)
    path, planes = tmp_path / "quay.tif", {name: noise("float", (9, 40)) for name in "RGB"}
    written(path, planes)
    assert struct.unpack("<H", path.read_bytes()[2:4]) == (43,)
    assert same_bits(second(path)[..., 0].copy(), planes["R"])
    assert same_bits(files.read(path).parts[0].channels["G"], planes["G"])
    _refused_when_cut(path)


@pytest.mark.parametrize(
    "line", ["{", "[1]", '{"gradeprepStops":"x"}', '{"gradeprepStops":NaN}', '{"timeCode":5}']
)
def test_a_mark_that_cannot_be_read_is_not_taken_for_none(line, tmp_path):
    path = tmp_path / "quay.tif"
    tifffile.imwrite(path, np.ones((2, 2), np.float32), description=f"gradeprep {line}\nslate")
    with pytest.raises(TornFrameError, match="ImageDescription"):
        files.inspect(path)


def recipe(folder):
    """Three frames of float TIFF and the recipe that pulls them."""
    for number in (1001, 1002, 1003):
        path = folder / "hot" / f"quay.{number}.tif"
        path.parent.mkdir(exist_ok=True)
        tifffile.imwrite(path, noise("float", (8, 9, 3), number), photometric="rgb")
    text = (
        "gradeprep: 1\ndefaults: {space: ACEScg, stages: [pull: {stops: -3}]}\n"
        "shots:\n  quay:\n    plate: hot/quay.####.tif\n"
        "    output: {plate: out/quay.####.tif, compression: lzw}\n    checks: {clipping: }\n"
    )
    (folder / "recipe.yaml").write_text(text)
    return folder / "recipe.yaml"


def test_plan_run_farm_and_check_give_the_same_frames(tmp_path, capsys):
    asked, out = recipe(tmp_path), tmp_path / "out"
    planned = run(capsys, "plan", asked)
    assert planned.code == 0
    assert "tif" in planned.out
    assert run(capsys, "run", asked, "--jobs", "1").code == 0
    alone = {path.name: path.read_bytes() for path in out.iterdir()}
    for path in out.iterdir():
        path.unlink()
    bundle = tmp_path / "bundle"
    assert run(capsys, "farm", asked, "-o", bundle, "--chunk", "2").code == 0
    for frames in ("1001-1002", "1003"):
        ran = run(capsys, "chunk", bundle, "--shot", "quay", "--frames", frames, "--jobs", "1")
        assert ran.code == 0, ran
    assert run(capsys, "collect", bundle, "--jobs", "1").code == 0
    assert {p.name: p.read_bytes() for p in out.iterdir() if p.suffix == ".tif"} == {
        name: content for name, content in alone.items() if name.endswith(".tif")
    }
    assert run(capsys, "audit", out / "quay.stops.json").code == 0


@pytest.mark.parametrize("compression", tif.COMPRESSIONS)
def test_a_file_that_cannot_grow_is_no_result(compression, tmp_path):
    """A limit on the size of files stands in for a full disk, in a process of its own."""
    whole = tmp_path / "whole.tif"
    planes = {name: noise("uint16", (40, 50), ord(name)) for name in "RGB"}
    written(whole, planes, kind="uint16", compression=compression)
    size = whole.stat().st_size
    limits = [1, 9, 300, size // 2, size - 4096, size - 1]
    code = f"""
import resource, signal, sys
from pathlib import Path
from gradeprep.errors import WriteError
from gradeprep.plates import files
from gradeprep.plates.atomic import publish
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
frame = files.read(Path({str(whole)!r}))
hard = resource.getrlimit(resource.RLIMIT_FSIZE)[1]
for limit in {limits}:
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit, hard))
    try:
        publish(Path({str(tmp_path / "out.tif")!r}), lambda p: files.write(frame, p), files.inspect)
    except WriteError as error:
        assert "\\n" not in str(error), error
    else:
        sys.exit(f"{{limit}} bytes were enough for {size}")
"""
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert (ran.returncode, ran.stdout) == (0, ""), ran
    assert sorted(path.name for path in tmp_path.iterdir()) == ["whole.tif"]


def test_windows_that_differ_are_refused(tmp_path, capsys):
    hot = tmp_path / "hot.exr"
    window = (np.array([0, 0], np.int32), np.array([9, 9], np.int32))
    write_exr(hot, dict.fromkeys("RGB", np.ones((2, 2), np.float16)), displayWindow=window)
    said = run(capsys, "pull", hot, tmp_path / "out.tif", *LINEAR, "--stops", "-1")
    assert said.code != 0
    assert "its data window is not its display window" in said.err
    assert not (tmp_path / "out.tif").exists()


def notes_of(folder):
    return json.loads(next(folder.glob("*.stops.json")).read_text())["frames"][0]["done"]["header"]


def test_a_type_that_changes_takes_alpha_along(tmp_path, capsys):
    """Coverage is a share of the largest code (common practice, no source)."""
    hot, out = tmp_path / "hot.tif", tmp_path / "out" / "hot.tif"
    pixels = noise("uint16", (6, 5, 4))
    tifffile.imwrite(hot, pixels, photometric="rgb", extrasamples=["assocalpha"])
    ask = ("pull", hot, out.parent, *LINEAR, "--stops", "-1", "--type", "float")
    assert run(capsys, *ask).code == 0
    alpha = second(out)[..., 3]
    assert alpha.dtype == np.float32
    np.testing.assert_allclose(alpha, pixels[..., 3] / 65535, rtol=1e-6)


def test_what_a_foreign_file_loses_is_named(tmp_path, capsys):
    hot, out = tmp_path / "hot.tif", tmp_path / "out" / "hot.tif"
    pixels = np.full((40, 36, 3), 90, np.uint8)
    tifffile.imwrite(
        hot,
        pixels,
        photometric="rgb",
        tile=(16, 16),
        compression="jpeg",
        compressionargs={"outcolorspace": "rgb"},
        iccprofile=bytes(200),
    )
    ask = ("pull", hot, out.parent, *LINEAR, "--stops", "-1", "--out-space", "ACES2065-1")
    assert run(capsys, *ask).code == 0
    assert notes_of(out.parent) == [
        "written as strips of whole pixels; the source has tiles or planes",
        "compression set to zip from tiff-7",
        "ICCProfile removed: it described the source's colour space",
    ]
    with tifffile.TiffFile(out) as file:
        assert 34675 not in file.pages[0].tags  # ICC profile
        assert not file.pages[0].is_tiled


@pytest.mark.parametrize("tile", [None, (16, 16)], ids=["strips", "tiles"])
def test_pixels_that_the_library_does_not_decode_are_found_before_the_run(tile, tmp_path):
    path = tmp_path / "quay.tif"
    tifffile.imwrite(path, noise("uint16", (40, 36)), tile=tile, metadata=None)
    with tifffile.TiffFile(path, mode="r+b") as file:
        file.pages[0].tags["Compression"].overwrite(65000)  # a private code without a codec
    with pytest.raises(TornFrameError, match=r"quay\.tif: is cut or garbled: "):
        files.inspect(path)


def test_fields_of_a_dpx_are_named(tmp_path, capsys):
    hot, out = tmp_path / "hot.dpx", tmp_path / "out" / "hot.tif"
    write_dpx(hot, dict.fromkeys("RGB", np.full((4, 4), 500, np.uint16)))
    raw = bytearray(hot.read_bytes())
    raw[:2048] = dpxheader.patched(bytes(raw[:2048]), slate="harbour 12")
    hot.write_bytes(raw)
    out.parent.mkdir()
    assert run(capsys, "pull", hot, out, "--space", "ACEScct", "--stops", "-1").code == 0
    (note,) = notes_of(out.parent)
    assert "slate" in note
    assert note.endswith("left out: TIFF has no field for them")
    layout = files.inspect(out)
    assert (layout.parts[0].channels["R"], layout.timecode) == ("uint16", "01:00:00:00")
    assert layout.rate == "24"


def test_uncompressed_pixels_are_as_many_as_the_size_needs(tmp_path):
    path = tmp_path / "quay.tif"
    tifffile.imwrite(path, noise("uint16", (9, 9)), photometric="minisblack", metadata=None)
    with tifffile.TiffFile(path, mode="r+b") as file:
        file.pages[0].tags["StripByteCounts"].overwrite(9 * 9 * 2 - 1)
    for door in (files.inspect, files.read):
        with pytest.raises(TornFrameError, match="its pixels take 162 bytes and it holds 161"):
            door(path)
