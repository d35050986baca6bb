"""Every registered format: its contract, its first bytes, its place in orders and recipes."""

from __future__ import annotations

import numpy as np
import pytest
from support import run

from gradeprep.errors import RequestError, TornFrameError
from gradeprep.model.frame import Frame, Part
from gradeprep.model.order import OutputOrder
from gradeprep.model.pixeltypes import PIXEL_TYPES
from gradeprep.plates import files, formats
from gradeprep.plates.format import Format, Shared, Stamp, WritableFormat

SIGNATURES = {
    "exr": (b"\x76\x2f\x31\x01",),  # OpenEXR File Layout: magic number 20000630
    "dpx": (b"SDPX", b"XPDS"),  # SMPTE ST 268: U32 magic, either byte order
    "tif": (b"II*\0", b"MM\0*"),  # TIFF 6.0, section 2: byte order, then 42
}
"""First bytes by format, from the standards and not from the registry."""


@pytest.mark.parametrize("name", formats.REGISTRY)
def test_a_module_implements_its_protocol(name):
    found = formats.by_name(name)
    assert isinstance(found, Format)
    assert isinstance(found, WritableFormat) == formats.REGISTRY[name].writable


@pytest.mark.parametrize(
    ("name", "kind"),
    [(name, kind) for name in formats.WRITABLE for kind in formats.writable(name).TYPES],
)
def test_a_written_file_starts_with_its_own_signature(name, kind, tmp_path):
    writer = formats.writable(name)
    dtype, bits, _ = PIXEL_TYPES[kind]
    planes = dict.fromkeys("RGB", np.arange(6).astype(dtype).reshape(2, 3))
    source = Frame("", (Part("", planes, {}, bits),))
    for suffix in formats.REGISTRY[name].suffixes:
        path = tmp_path / f"quay.{suffix}"
        order = OutputOrder(format=name, type=kind, compression=writer.DEFAULT_COMPRESSION)
        stamp = Stamp(0.0, (), space_changed=False, chromaticities=None, encoding="")
        files.write(writer.carried(source, Shared(), {}, order, stamp, path.name)[0], path)
        assert path.read_bytes().startswith(SIGNATURES[name])
        layout = files.inspect(path)
        assert (layout.format, layout.parts[0].channels) == (name, dict.fromkeys("RGB", kind))


@pytest.mark.parametrize("name", [*formats.WRITABLE])
def test_a_default_type_is_one_of_its_own(name):
    writer = formats.writable(name)
    assert {writer.default_type(kind) for kind in PIXEL_TYPES} <= set(writer.TYPES)
    assert writer.DEFAULT_COMPRESSION in writer.COMPRESSIONS


def test_an_order_names_a_format_that_can_be_written():
    order = OutputOrder(format="png", type="half", compression="none")
    with pytest.raises(RequestError, match=r"'\.png' cannot be written"):
        formats.writable(order.format)


def test_a_recipe_names_a_compression_that_exists(tmp_path, capsys):
    recipe = tmp_path / "recipe.yaml"
    recipe.write_text(
        "gradeprep: 1\n"
        "shots:\n"
        "  quay:\n"
        "    plate: quay.####.exr\n"
        "    output: {plate: out/quay.####.exr, compression: zap}\n"
    )
    said = run(capsys, "plan", recipe)
    assert said.code == 2
    assert "shots.quay.output.compression" in said.err
    assert "'zap' is not one of source, none, rle" in said.err


@pytest.mark.parametrize("named", formats.WRITABLE)
@pytest.mark.parametrize("real", formats.WRITABLE)
def test_content_and_name_agree(real, named, tmp_path):
    if real == named:
        return
    path = tmp_path / f"quay.{named}"
    path.write_bytes(SIGNATURES[real][0] + bytes(60))
    title = formats.writable(real).TITLE
    with pytest.raises(TornFrameError, match=f"its content is {title}; rename it to .{real}"):
        files.inspect(path)
    path.write_bytes(b"GRADEPREP" + bytes(60))
    with pytest.raises(TornFrameError, match=f"named .{named}, but it is cut or garbled"):
        files.inspect(path)
