"""A 0-stop pull of every good real image gives the same pixels and the same header.

The images are nobody's here; the folder is named by GRADEPREP_PLATES. Headers are compared as the
raw bytes of each attribute, pixels through OpenImageIO as well as through our own reader.
"""

from __future__ import annotations

import json
import os
from pathlib import Path

import numpy as np
import OpenImageIO as oiio
import pytest
from support import run, snapshot

from gradeprep.pipeline.flow import compute
from gradeprep.pipeline.plan import make_plan
from gradeprep.pipeline.planned import Options
from gradeprep.pipeline.recipefile import build
from gradeprep.plates import dpxheader, exr, exrscan, files

FOLDER = Path(os.environ.get("GRADEPREP_PLATES") or "/nonexistent")
EXR = sorted((FOLDER / "exr").rglob("*.exr"))
DPX = sorted((FOLDER / "dpx").rglob("*.dpx"))
OURS = {"gradeprepStops", "gradeprepRecipe"}
REFUSED = {
    "11.deep.exr": "is deep",
    "ColorCodedLevels.exr": "has mip levels",
    "Flowers.exr": "subsampled",
    "PeriodicPattern.exr": "has mip levels",
    "Trunks.exr": "is deep",
    "comp_b44.exr": "subsampled",
    "primitives.exr": "is deep",
}

needs_images = pytest.mark.skipif(
    not EXR, reason="GRADEPREP_PLATES does not name the folder of real images"
)


def label(path: Path) -> str:
    return path.relative_to(FOLDER).as_posix()


def oiio_planes(path: Path) -> list[np.ndarray]:
    """Every subimage in its native type, as OpenImageIO reads it."""
    image = oiio.ImageInput.open(str(path))
    assert image is not None, oiio.geterror()
    planes = []
    while image.seek_subimage(len(planes), 0):
        spec = image.spec()
        same = len(set(spec.channelformats)) <= 1
        kind = spec.format if same else oiio.TypeDesc("float")
        pixels = image.read_image(len(planes), 0, 0, spec.nchannels, kind)
        assert pixels is not None, image.geterror()
        planes.append(np.asarray(pixels))
    image.close()
    return planes


@needs_images
@pytest.mark.parametrize("path", EXR, ids=label)
def test_zero_stops_carries_an_exr(
    path: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out" / path.name
    done = run(capsys, "pull", path, out, "--stops", "0", "--space", "ACEScg", "--name", "shot")
    if path.name in REFUSED:
        assert done.code == 1
        assert REFUSED[path.name] in done.err
        assert done.err.count("\n") == 1
        assert list(snapshot(tmp_path)) == [str(tmp_path)]
        return
    assert done.code == 0, done.err
    before, after = exrscan.scan(path), exrscan.scan(out)
    assert len(before.parts) == len(after.parts)
    lossy = False
    for index, (old, new) in enumerate(zip(before.parts, after.parts, strict=True)):
        added = dict(new.attributes)
        if index == 0:
            assert set(added) >= OURS
            added = {name: told for name, told in added.items() if name not in OURS}
        if "type" not in old.attributes:
            added.pop("type", None)
        assert added == dict(old.attributes)
        kinds = [channel.pixel_type for channel in old.channels]
        lossy = lossy or exr.lossy(old.codec.name, kinds)
    assert before.flags == after.flags
    if lossy:
        sidecar = json.loads((out.parent / "shot.stops.json").read_text("utf-8"))
        assert any("is lossy" in finding["what"] for finding in sidecar["findings"])
    else:
        ours, theirs = files.read(path), files.read(out)
        for old_part, new_part in zip(ours.parts, theirs.parts, strict=True):
            assert list(old_part.channels) == list(new_part.channels)
            for name, plane in old_part.channels.items():
                assert plane.dtype == new_part.channels[name].dtype
                assert plane.tobytes() == new_part.channels[name].tobytes()
        for old_planes, new_planes in zip(oiio_planes(path), oiio_planes(out), strict=True):
            assert old_planes.tobytes() == new_planes.tobytes()


@needs_images
@pytest.mark.parametrize("path", DPX, ids=label)
def test_zero_stops_carries_a_dpx_byte_for_byte(
    path: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out" / path.name
    done = run(capsys, "pull", path, out, "--stops", "0", "--space", "ACEScct", "--name", "shot")
    assert done.code == 0, done.err
    was, now = path.read_bytes(), out.read_bytes()
    if dpxheader.value(was, "file_name"):
        # SMPTE ST 268: the file name field, bytes 36 to 135, follows the file
        assert dpxheader.value(now, "file_name") == path.name
        now = now[:36] + was[36:136] + now[136:]
    assert now == was


@needs_images
def test_a_cineon_file_comes_out_as_the_same_codes_in_dpx(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (path,) = (FOLDER / "dpx").glob("*.cin")
    out = tmp_path / "out.dpx"
    done = run(capsys, "pull", path, out, "--stops", "0", "--space", "ACEScct", "--name", "shot")
    assert done.code == 0, done.err
    old, new = files.read(path).parts[0], files.read(out).parts[0]
    assert (old.bits, new.bits) == (10, 10)
    for name, plane in old.channels.items():
        assert np.array_equal(plane, new.channels[name])
    (from_cin,), (from_dpx,) = oiio_planes(path), oiio_planes(out)
    assert np.array_equal(from_cin >> 6, from_dpx >> 6)


@needs_images
def test_a_lossy_codec_is_handed_the_very_pixels(tmp_path: Path) -> None:
    """The codec re-encodes by itself; what we hand it is what we read."""

    path = FOLDER / "exr" / "compression" / "grad_half_dwaa.exr"
    data = {
        "gradeprep": 1,
        "shots": {
            "shot": {
                "plate": str(path),
                "space": "ACEScg",
                "stages": [{"pull": {"stops": 0.0}}],
                "output": {"plate": str(tmp_path / "out.exr")},
            }
        },
    }
    plan = make_plan(build(data), Path(), Options())
    task = plan.shots["shot"].document
    order = task.frames[0]
    handed, read = compute(task, order, files.read(Path(order.source))).frame, files.read(path)
    for name, plane in read.parts[0].channels.items():
        assert handed.parts[0].channels[name].tobytes() == plane.tobytes()
    assert "dwaa" in plan.shots["shot"].document.reversible.why


@needs_images
def test_a_whole_stop_pull_is_restored_bit_for_bit(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = FOLDER / "exr" / "Desk.exr"
    pulled, back = tmp_path / "pulled", tmp_path / "back"
    assert run(capsys, "pull", path, pulled, "--stops", "-3", "--space", "ACEScg").code == 0
    assert run(capsys, "restore", pulled / "Desk.stops.json", back).code == 0
    was, now = files.read(path).parts[0], files.read(back / "Desk.exr").parts[0]
    assert dict(exrscan.scan(path).parts[0].attributes) == {
        name: told
        for name, told in exrscan.scan(back / "Desk.exr").parts[0].attributes.items()
        if name != "type" or "type" in exrscan.scan(path).parts[0].attributes
    }
    for name, plane in was.channels.items():
        # IEEE 754-2019: below 2**-14 * 2**3 a pull by 3 stops sinks into the subnormals
        safe = (np.abs(plane.astype(np.float64)) >= 2.0**-11) | (plane == 0) | (name == "A")
        assert np.array_equal(plane[safe].view(np.uint16), now.channels[name][safe].view(np.uint16))
        assert safe.mean() > 0.9
