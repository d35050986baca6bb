"""A plain pull behind a log curve goes through the curve alone, where the config proves it may."""

from __future__ import annotations

import numpy as np
import pytest
from lightref import run

from gradeprep import colour
from gradeprep.model.order import StageOrder
from gradeprep.pipeline import kernels
from gradeprep.pipeline.decision import prepare

TEN_BIT = kernels.Wanted(np.dtype(np.uint16), 10)
CODES = np.arange(1024, dtype=np.uint16).reshape(32, 32)
STUDIO = colour.load(colour.BUILT_IN)
PROVED = [s for s in STUDIO.with_encoding("log") if STUDIO.curve(s, "ACEScg") is not None]


def pulled(space: str, planes: list[np.ndarray], stops: float) -> list[np.ndarray]:
    decision = prepare([StageOrder(stage="pull", numbers={"stops": stops})], (0.0, 1.0, 0.0))
    curve = STUDIO.curve(space, "ACEScg")
    assert curve is not None
    name = kernels.choose(
        decision,
        same_space=True,
        linear=False,
        working=False,
        source=TEN_BIT,
        wanted=TEN_BIT,
        curve=True,
    )
    assert name == "code-table"
    looked_up, computed = (
        run(
            kernel,
            planes,
            decision,
            source=TEN_BIT,
            wanted=TEN_BIT,
            decode=curve[0],
            encode=curve[1],
        )
        for kernel in (name, "curve")
    )
    for one, other in zip(looked_up.planes, computed.planes, strict=True):
        assert np.array_equal(one, other)
    assert looked_up.clipped == computed.clipped
    assert looked_up.overflow == computed.overflow
    return looked_up.planes


def test_most_log_spaces_of_the_built_in_config_are_proved() -> None:
    spaces = list(STUDIO.with_encoding("log"))
    assert len(PROVED) >= len(spaces) - 3  # those with a matrix or a range before their curve


def test_a_matrix_before_the_curve_is_no_proof() -> None:
    # Academy S-2008-002: printing density crosses the channels before its curve
    assert STUDIO.curve("ADX10", "ACEScg") is None


@pytest.mark.parametrize("space", PROVED)
def test_channels_do_not_know_each_other(space: str) -> None:
    """The same code gives the same result whatever stands in the other two channels."""
    shuffled = [np.random.default_rng(seed).permutation(CODES.ravel()) for seed in range(3)]
    planes = [codes.reshape(CODES.shape) for codes in shuffled]
    neutral = pulled(space, [CODES] * 3, -1.0)[1].ravel()
    for before, after in zip(planes, pulled(space, planes, -1.0), strict=True):
        assert np.array_equal(after, neutral[before])


@pytest.mark.parametrize("space", PROVED)
def test_neutrals_agree_with_the_full_way(space: str) -> None:
    """Half the light of each code, by the config's own processor through other primaries."""
    decode = STUDIO.convert(space, "ACES2065-1")
    encode = STUDIO.convert("ACES2065-1", space)
    assert decode is not None
    assert encode is not None
    rgb = np.repeat((CODES / np.float32(1023)).astype(np.float32)[..., None], 3, axis=2)
    decode(rgb)
    rgb *= np.float32(0.5)
    encode(rgb)
    wanted = np.clip(rgb[..., 1].astype(np.float64) * 1023, 0, 1023)
    got = pulled(space, [CODES] * 3, -1.0)[1]
    assert np.abs(got - wanted).max() < 0.5 + 0.02
