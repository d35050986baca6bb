"""Roots: a few folders that everything lies in."""

from __future__ import annotations

from pathlib import PurePosixPath

from hypothesis import given
from hypothesis import strategies as st

from gradeprep.farm.roots import roots

FOLDERS = st.lists(
    st.lists(st.sampled_from("abc"), min_size=1, max_size=4).map(
        lambda parts: PurePosixPath("/", *parts)
    ),
    max_size=30,
)


@given(FOLDERS, st.integers(1, 5))
def test_everything_lies_in_one_and_they_are_few(folders, most):
    found = roots(folders, most=most)
    assert len(found) <= most
    for folder in folders:
        assert sum(folder.is_relative_to(root) for root in found) == 1


@given(FOLDERS)
def test_folders_that_fit_stay_themselves(folders):
    assert set(roots(folders, most=100)) <= set(folders)


def test_the_deepest_are_joined_first():
    told = ["/a/show/x/1", "/a/show/x/2", "/a/show/x/3", "/b/lut"]
    found = roots(map(PurePosixPath, told), most=2)
    assert found == [PurePosixPath("/a/show/x"), PurePosixPath("/b/lut")]
