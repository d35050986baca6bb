"""What a plate takes along from one format to the other."""

from __future__ import annotations

import numpy as np
import OpenEXR
import pytest
from support import run, write_dpx

from gradeprep.plates import dpx, dpxheader


@pytest.mark.parametrize(("across", "down"), [(2, 1), (3, 2), (1, 1)])
def test_pixels_stay_as_wide_as_the_lens_made_them(across, down, tmp_path, capsys):
    """DPX tells two whole numbers (SMPTE ST 268), EXR their ratio (``pixelAspectRatio``)."""
    hot = tmp_path / "hot.1001.dpx"
    write_dpx(hot, dict.fromkeys("RGB", np.full((2, 4), 500, np.uint16)))
    raw = bytearray(hot.read_bytes())
    raw[:2048] = dpxheader.patched(bytes(raw[:2048]), pixel_aspect_x=across, pixel_aspect_y=down)
    hot.write_bytes(raw)

    light, codes = tmp_path / "light.1001.exr", tmp_path / "codes.1001.dpx"
    told = ("--space", "ACEScct", "--stops", "-1")
    assert run(capsys, "pull", hot, light, *told, "--out-space", "ACEScg").code == 0
    header = OpenEXR.File(str(light)).header()
    assert header["pixelAspectRatio"] == pytest.approx(across / down)

    told = ("--space", "ACEScg", "--stops", "-1", "--allow-pulled", "--out-space", "ACEScct")
    assert run(capsys, "pull", light, codes, *told, "--type", "uint10").code == 0
    found = dpx.read(codes).parts[0].header
    wanted = (across, down) if across != down else (None, None)
    assert (found["pixel_aspect_x"], found["pixel_aspect_y"]) == wanted
