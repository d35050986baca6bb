"""Places: which folder of a bundle is where on this machine."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gradeprep.errors import OutputRefusedError, RequestError
from gradeprep.farm.places import Places, read_places, refuse_merged
from gradeprep.model.bundle import Manifest, RecipeMark


def manifest(*, windows: bool = False, **folders: str) -> Manifest:
    return Manifest(
        form="openjd",
        windows=windows,
        recipe=RecipeMark(file="/show/recipe.yaml", sha256="0"),
        versions={},
        folders=folders or {"Plates1": "/show/hot", "Results1": "/show/out"},
        shots={},
        chunks=(),
    )


@pytest.mark.parametrize(
    ("words", "told", "here"),
    [
        ((), "/show/hot/a.exr", "/show/hot/a.exr"),
        (("/show=/mnt",), "/show/hot/a.exr", "/mnt/hot/a.exr"),
        (("/show/=/mnt/",), "/show/hot/a.exr", "/mnt/hot/a.exr"),
        (("/show=/mnt",), "/showroom/hot/a.exr", "/showroom/hot/a.exr"),
        (("/show=/mnt", "/show/out=/fast"), "/show/out/q/a.exr", "/fast/q/a.exr"),
        (("/show/out=/fast", "/show=/mnt"), "/show/out/q/a.exr", "/fast/q/a.exr"),
        (("/show=/mnt", "/show/out=/show/out"), "/show/out/a.exr", "/show/out/a.exr"),
        (("Plates1=/mnt/hot",), "/show/hot/a.exr", "/mnt/hot/a.exr"),
        (("/show/hot/deep=/mnt",), "/show/hot/deep/a.exr", "/mnt/a.exr"),
        (("/=/mnt",), "/show/hot/a.exr", "/mnt/show/hot/a.exr"),
    ],
)
def test_the_deepest_folder_decides(words, told, here):
    assert read_places(words, manifest()).path(told) == here


def test_a_name_may_hold_the_sign_that_parts_the_two():
    bundle = manifest(Plates1="/a=b/hot", Results1="/a=b/out")
    assert read_places(["/a=b=/mnt/c=d"], bundle).path("/a=b/hot/x") == "/mnt/c=d/hot/x"


def test_paths_of_another_system():
    bundle = manifest(windows=True, Plates1=r"X:\show\hot", Results1=r"X:\show\out")
    places = read_places([r"x:\Show=/mnt/show"], bundle)
    assert places.path(r"X:\show\hot\quay.1001.exr") == "/mnt/show/hot/quay.1001.exr"


@pytest.mark.parametrize(
    "word", ["", "=", "/mnt", "/other=/mnt", "Plates2=/mnt", "/show=", "=/mnt"]
)
def test_a_place_of_nothing_is_refused(word):
    with pytest.raises(RequestError, match=r"--map: '.*' places no folder of the bundle; write"):
        read_places([word], manifest())


@pytest.mark.parametrize(
    "words",
    [
        ("/show/hot=/x", "/show/out=/x"),
        ("/show/hot=/x", "/show/out=/x/deep"),
        ("/show/hot=/show/out",),
        ("/show/hot/quay=/x", "/show/out/quay=/x"),
    ],
)
def test_plates_and_results_are_kept_apart(words):
    with pytest.raises(OutputRefusedError, match="led to one folder; place them apart"):
        refuse_merged(manifest(), read_places(words, manifest()))


def test_links_do_not_bring_them_together_either(tmp_path):
    (tmp_path / "real").mkdir()
    (tmp_path / "link").symlink_to("real")
    words = (f"/show/hot={tmp_path / 'real'}", f"/show/out={tmp_path / 'link'}")
    with pytest.raises(OutputRefusedError):
        refuse_merged(manifest(), read_places(words, manifest()))


def test_what_was_together_may_stay_together():
    bundle = manifest(Plates1="/show/quay", Results1="/show/quay/normal")
    refuse_merged(bundle, read_places(["/show=/mnt"], bundle))
    refuse_merged(bundle, Places((), windows=False))


NAMES = st.lists(st.sampled_from(["a", "b", "c=", "d e"]), min_size=1, max_size=4)


@given(NAMES, NAMES, st.sampled_from(["/mnt", "/m=n", "/"]))
def test_what_lies_below_stays_below(folder, rest, here):
    told = "/" + "/".join(folder)
    bundle = manifest(Plates1=told, Results1="/out")
    path = read_places([f"Plates1={here}"], bundle).path("/".join([told, *rest]))
    assert path == "/".join([here.rstrip("/"), *rest])
