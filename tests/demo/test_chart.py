"""The targets: their published values, and where they are painted."""

from __future__ import annotations

import warnings

import numpy as np
import pytest

from gradeprep.demo.chart import COLUMNS, GREY_CARD, NEUTRALS, PATCHES, place

AP1_LUMINANCE = (0.2722287168, 0.6740817658, 0.0536895174)
"""Y row of the AP1 primary matrix (SMPTE RP 177, SMPTE ST 2065-1 white)."""


@pytest.fixture
def colour():
    with warnings.catch_warnings():
        # The library tells of optional parts that are missing and of spectra it resamples.
        warnings.simplefilter("ignore")
        yield pytest.importorskip("colour")


def test_patches_are_what_the_published_spectra_give(colour):
    """ISO 17321-1 reflectances under CIE D60, CIE 1931 observer, as scene-linear AP1."""
    observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    light = colour.SDS_ILLUMINANTS["D60"]
    spectra = list(colour.SDS_COLOURCHECKERS["ISO 17321-1"].values())

    def tristimulus(spectrum):
        return colour.sd_to_XYZ(spectrum, observer, light, method="Integration") / 100.0

    diffuser = tristimulus(colour.sd_ones(spectra[0].shape))
    white = colour.XYZ_to_xy(diffuser)
    ap1 = colour.RGB_COLOURSPACES["ACEScg"]
    expected = [colour.XYZ_to_RGB(tristimulus(spectrum), ap1, white) for spectrum in spectra]
    assert diffuser[1] == pytest.approx(1.0)
    assert np.allclose(list(PATCHES.values()), expected, rtol=0, atol=2e-5)


def test_luminance_of_the_neutrals_is_the_published_one():
    """Y of the six neutrals from the ISO 17321-1 spectra, D65 (D60 differs by less than 1e-3)."""
    luminance = [float(np.dot(PATCHES[name], AP1_LUMINANCE)) for name in NEUTRALS]
    published = [0.88724, 0.58385, 0.35817, 0.20305, 0.09259, 0.03355]
    assert luminance == pytest.approx(published, abs=1e-3)


def test_the_card_is_eighteen_percent_and_no_patch_is():
    assert GREY_CARD == 0.18
    assert all(abs(np.dot(rgb, AP1_LUMINANCE) / 0.18 - 1) > 0.05 for rgb in PATCHES.values())


@pytest.mark.parametrize("patch", [2, 10, 25])
def test_card_and_patches_are_painted_where_they_are_said_to_be(patch):
    picture = np.full((200, 400, 3), 5.0, np.float32)
    targets = place(picture, corner=(7, 5), patch=patch)
    for rect, colour in zip(
        (targets.card, *targets.patches), ((GREY_CARD,) * 3, *PATCHES.values()), strict=True
    ):
        x, y, width, height = rect
        assert np.all(picture[y : y + height, x : x + width] == np.float32(colour))
    assert all(rect[2:] == (patch, patch) for rect in targets.patches)
    assert np.all(picture[:5] == 5.0)
    assert np.all(picture[:, :7] == 5.0)


def test_patches_stand_in_rows_and_do_not_touch():
    picture = np.zeros((200, 400, 3), np.float32)
    targets = place(picture, corner=(0, 0), patch=10)
    marks = np.zeros(picture.shape[:2], int)
    for x, y, width, height in (targets.card, *targets.patches):
        marks[y : y + height + 1, x : x + width + 1] += 1  # a pixel wider than painted
    assert marks.max() == 1
    rows = [[rect[1] for rect in targets.patches[i : i + COLUMNS]] for i in range(0, 24, COLUMNS)]
    assert [len(set(row)) for row in rows] == [1, 1, 1, 1]
    assert rows == sorted(rows)
