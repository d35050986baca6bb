"""The pull, through the program and the file: every half code, correctly rounded, 0 ulp."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import OpenEXR
import OpenImageIO as oiio
import pytest
from support import run, write_exr

CODES = np.arange(65536, dtype=np.uint16).reshape(256, 256)
LOSSLESS = {
    "none": OpenEXR.NO_COMPRESSION,
    "zip": OpenEXR.ZIP_COMPRESSION,
    "piz": OpenEXR.PIZ_COMPRESSION,
}


def codes_of(path: Path) -> np.ndarray:
    """Half codes of the red channel, as OpenImageIO reads them."""
    image = oiio.ImageInput.open(str(path))
    pixels = image.read_image(0, 0, 0, 3, oiio.HALF)
    image.close()
    return np.ascontiguousarray(np.asarray(pixels)[..., 0]).view(np.uint16)


@pytest.mark.parametrize("stops", [-3.0, -1.37, 0.5])
@pytest.mark.parametrize("codec", LOSSLESS)
def test_every_half_code_is_the_correctly_rounded_product(codec, stops, tmp_path, capsys):
    """IEEE 754-2019 binary16: float64 product, rounded once; NaN codes stay as they are."""
    halves = CODES.view(np.float16)
    planes = dict.fromkeys("RGB", halves)
    plate = write_exr(tmp_path / "all.exr", planes, compression=LOSSLESS[codec])
    out = tmp_path / "out.exr"
    done = run(capsys, "pull", plate, out, "--stops", stops, "--space", "ACEScg")
    assert done.code == 0, done.err
    with np.errstate(all="ignore"):
        exact = (halves.astype(np.float64) * 2.0**stops).astype(np.float16).view(np.uint16)
    wanted = np.where(np.isnan(halves), CODES, exact)
    assert np.array_equal(codes_of(out), wanted)
