"""Picture files: what they hold, that equal pixels give equal bytes, and what is refused."""

from __future__ import annotations

import base64

import numpy as np
import OpenImageIO as oiio
import pytest
from support import snapshot

from gradeprep.errors import OutputRefusedError, TornFrameError, WriteError
from gradeprep.review.imagebytes import data_uri, decoded, encoded, may_write, save_png

PIXELS = (np.indices((32, 48, 3)).sum(axis=0) * 2 + 30).astype(np.uint8)


def back(path, data):
    path.write_bytes(data)
    return oiio.ImageInput.open(str(path)).read_image(oiio.UINT8)


def test_a_png_keeps_every_pixel(tmp_path):
    np.testing.assert_array_equal(back(tmp_path / "a.png", encoded(PIXELS)), PIXELS)


@pytest.mark.parametrize(("kind", "begin"), [("jpeg", b"\xff\xd8\xff"), ("webp", b"RIFF")])
def test_the_others_come_close(tmp_path, kind, begin):
    data = encoded(PIXELS, kind)
    assert data.startswith(begin)
    suffix = {"jpeg": "jpg"}.get(kind, kind)
    off = back(tmp_path / f"a.{suffix}", data).astype(int) - PIXELS
    assert np.abs(off).max() <= 8
    assert len(encoded(PIXELS, kind, quality=20)) < len(data)


@pytest.mark.parametrize("kind", ["png", "jpeg", "webp"])
def test_equal_pixels_give_equal_bytes(kind):
    assert encoded(PIXELS, kind) == encoded(PIXELS.copy(), kind)


def test_an_address_holds_the_file():
    uri = data_uri(PIXELS, "png")
    head, _, body = uri.partition(",")
    assert head == "data:image/png;base64"
    assert base64.b64decode(body) == encoded(PIXELS)


def test_a_view_into_a_larger_array_is_written_as_it_looks(tmp_path):
    turned = PIXELS[::-1, ::2]
    np.testing.assert_array_equal(back(tmp_path / "a.png", encoded(turned)), turned)


def test_saving_leaves_the_picture_and_nothing_else(tmp_path):
    save_png(tmp_path / "a.png", PIXELS)
    assert [path.name for path in tmp_path.iterdir()] == ["a.png"]
    np.testing.assert_array_equal(decoded(tmp_path / "a.png"), PIXELS)


def test_a_picture_that_reads_back_wrong_gets_no_name(tmp_path, monkeypatch):
    from gradeprep.review import imagebytes as module

    monkeypatch.setattr(module, "decoded", lambda path: PIXELS + 1)
    (tmp_path / "a.png").write_bytes(b"before")
    before = snapshot(tmp_path)
    with pytest.raises(WriteError, match="reads back wrong"):
        save_png(tmp_path / "a.png", PIXELS)
    assert snapshot(tmp_path) == before


def test_a_torn_picture_is_said_to_be_one(tmp_path):
    (tmp_path / "a.png").write_bytes(encoded(PIXELS)[:60])
    with pytest.raises(TornFrameError, match=r"a\.png"):
        decoded(tmp_path / "a.png")


def test_names_that_a_picture_must_not_have(tmp_path):
    there, link = tmp_path / "there.png", tmp_path / "link.png"
    there.write_bytes(b"x")
    plate = tmp_path / "plate.exr"
    plate.write_bytes(b"x")
    link.symlink_to(plate)
    (tmp_path / "folder.png").mkdir()
    cases = [
        (tmp_path / "a.jpg", "is a PNG"),
        (tmp_path / "no" / "a.png", "folder does not exist"),
        (link, "is a source"),
        (tmp_path / "folder.png", "is a folder"),
        (there, "exists"),
    ]
    for path, said in cases:
        with pytest.raises(OutputRefusedError, match=said):
            may_write(path, sources=[plate], overwrite=False)
    may_write(there, sources=[plate], overwrite=True)
    with pytest.raises(OutputRefusedError, match="is a source"):
        may_write(link, sources=[plate], overwrite=True)
    may_write(tmp_path / "new.png", sources=[plate], overwrite=False)
