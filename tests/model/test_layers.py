"""Which channels are colour: those that are named so, and nothing that is guessed."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from gradeprep.model.layers import Group, find_groups, looks_like_colour


def part(*channels, name=""):
    return SimpleNamespace(name=name, channels=dict.fromkeys(channels))


ROOT = part("A", "B", "G", "R", "Z")
RICH = part("B", "G", "R", "diffuse.B", "diffuse.G", "diffuse.R", "N.X", "N.Y", "N.Z", "id.id")
PARTS = (
    part("Z", name="depth"),
    part("R", "G", "B", name="left"),
    part("R", "G", "B", "spec.red", "spec.green", "spec.blue", name="right"),
)


@pytest.mark.parametrize(
    ("parts", "layers", "groups"),
    [
        ((ROOT,), None, [Group(0, ("R", "G", "B"), "rgb")]),
        ((part("r", "g", "b"),), None, [Group(0, ("r", "g", "b"), "rgb")]),
        ((part("Red", "Green", "Blue"),), None, [Group(0, ("Red", "Green", "Blue"), "rgb")]),
        ((part("Y"),), None, [Group(0, ("Y",), "luma")]),
        ((part("Y", "R", "G", "B"),), None, [Group(0, ("R", "G", "B"), "rgb")]),
        ((part("G", "A"),), None, [Group(0, ("G",), "some")]),
        ((part("R", "red", "green", "blue"),), None, [Group(0, ("red", "green", "blue"), "rgb")]),
        ((part("A", "Z", "N.X"),), None, []),
        ((part("diffuse.R", "diffuse.G", "diffuse.B"),), None, []),
        (PARTS, None, [Group(1, ("R", "G", "B"), "rgb")]),
        ((ROOT,), (), []),
        ((RICH,), ("diffuse",), [Group(0, ("diffuse.R", "diffuse.G", "diffuse.B"), "rgb")]),
        (
            (RICH,),
            ("", "diffuse"),
            [
                Group(0, ("R", "G", "B"), "rgb"),
                Group(0, ("diffuse.R", "diffuse.G", "diffuse.B"), "rgb"),
            ],
        ),
        (PARTS, ("right:",), [Group(2, ("R", "G", "B"), "rgb")]),
        (PARTS, ("right:spec",), [Group(2, ("spec.red", "spec.green", "spec.blue"), "rgb")]),
        (PARTS, ("spec",), [Group(2, ("spec.red", "spec.green", "spec.blue"), "rgb")]),
    ],
)
def test_finds(parts, layers, groups):
    assert find_groups(parts, layers) == tuple(groups)


@pytest.mark.parametrize(
    ("parts", "layers", "complaint"),
    [
        (
            (RICH,),
            ("difuse",),
            "there is no colour layer 'difuse'; layers with R, G, B or Y: '', 'diffuse', 'N'",
        ),
        (
            PARTS,
            ("left:spec",),
            "there is no colour layer 'left:spec'; layers with R, G, B or Y: "
            "'left:', 'right:', 'right:spec'",
        ),
        ((part("Z"),), ("",), "there is no colour layer ''; layers with R, G, B or Y: none"),
        ((ROOT,), ("", ""), "channels R, G, B are named twice in layers"),
    ],
)
def test_refuses(parts, layers, complaint):
    with pytest.raises(ValueError) as caught:
        find_groups(parts, layers)
    assert str(caught.value) == complaint


def test_two_parts_may_hold_channels_of_one_name():
    assert len(find_groups(PARTS, ("left:", "right:"))) == 2


def test_lists_what_could_be_named():
    assert looks_like_colour((RICH,)) == ("", "diffuse", "N")
    assert looks_like_colour(PARTS) == ("left:", "right:", "right:spec")
    assert looks_like_colour((part("Z"),)) == ()
