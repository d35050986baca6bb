"""How hot a scene may go, how the range divides, and what changes the advice."""

from __future__ import annotations

import math
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gradeprep.meters.labels import Label
from gradeprep.model.documents.headroom import SceneBrightness, SceneCeiling
from gradeprep.onset.headroom import (
    MARGIN,
    Asked,
    advise,
    divisions,
    indices_around,
    indices_between,
    watch,
)
from gradeprep.onset.present import Present
from gradeprep.onset.sensor import SensorModel

EI_800 = Present(index=Label("800", 800.0))


def asked(bright=3.0, clip=6.5, present=EI_800, source="stated", **more):
    scene = SceneBrightness(bright=bright, how="stated")
    ceiling = SceneCeiling(stops=clip, source=source, how="stated")
    return Asked(scene=scene, ceiling=ceiling, present=present, **more)


def test_hot_is_what_is_left_under_the_clip():
    told = advise(asked())
    assert told.margin == 0.5  # ISO 12232's half stop
    assert told.hot == 3.0
    assert told.pull == -3.0
    assert [each.by for each in told.ways] == ["index"]
    assert told.noise is told.watch is told.key is None


@given(st.floats(-4, 8), st.floats(2, 12), st.floats(0, 3))
def test_brightest_thing_ends_a_margin_under_the_clip(bright, clip, margin):
    told = advise(asked(bright, clip, margin=margin))
    assert told.scene.bright + told.hot + told.margin == pytest.approx(told.ceiling.stops, abs=1e-9)


def test_scene_that_does_not_fit():
    told = advise(asked(bright=7.0))
    assert told.hot == -1.0
    assert told.notes[0].startswith("the scene does not fit: expose 1.00 stops under normal")
    assert {each.by for each in told.ways} == {"density", "index"}
    assert all(each.stops <= -1.0 for each in told.ways)
    assert (
        advise(asked(bright=5.9)).notes[0]
        == "less than a third of a stop of headroom: expose normally"
    )


# ISO 12232: the exposure that saturates goes with 1 / index, H_sat = 78 / S; a fixed sensor's
# stays at 78 / 800 lx s, and grey's exposure at index S is 10 / S.
@pytest.mark.parametrize("index", [200, 400, 800, 1600])
def test_division_by_arithmetic(index):
    saturation = 78.0 / 800.0
    grey = 10.0 / index
    (told,) = divisions([index], index=800, clip=math.log2(78.0 / 10.0), below=5.0, taken=1.0)
    assert told.above == pytest.approx(math.log2(saturation / grey), abs=1e-12)
    assert told.stops == pytest.approx(math.log2(grey / (10.0 / 800.0)), abs=1e-12)
    assert told.below == pytest.approx(5.0 + told.stops, abs=1e-12)
    assert told.room == pytest.approx(told.above - 1.0, abs=1e-12)


def test_half_the_index_is_a_stop_less_above_and_a_stop_more_below():
    low, same = divisions([400, 800], index=800, clip=6.5, below=5.0, taken=3.5)
    assert (same.stops, same.above, same.below, same.room) == (0.0, 6.5, 5.0, 3.0)
    assert (low.stops, low.above, low.below, low.room) == (1.0, 5.5, 6.0, 2.0)


def test_range_is_the_same_at_every_index():
    sensor = SensorModel(full_well=30_000, read_noise=3)
    told = advise(asked(sensor=(sensor, "stated"))).divisions
    spans = [each.above + each.below for each in told]
    assert spans == pytest.approx([spans[0]] * 5, abs=1e-12)
    assert told[2].below == pytest.approx(-sensor.darkest(10.0, clip=6.5), abs=1e-12)


def test_indices():
    assert indices_around(800.0) == (200.0, 400.0, 800.0, 1600.0, 3200.0)
    assert indices_around(500.0) == (125.0, 250.0, 500.0, 1000.0, 2000.0)
    assert indices_between(500.0, 1000.0) == (500.0, 640.0, 800.0, 1000.0)
    told = advise(asked(indices=(640.0,))).divisions
    assert [each.index for each in told] == [640.0]
    assert told[0].stops == pytest.approx(0.321928, abs=5.1e-7)  # log2(800 / 640)
    assert advise(asked(present=Present())).divisions == ()


@pytest.mark.parametrize(("low", "high"), [(900, 950), (1600, 800), (-5, 0), (math.nan, 800)])
def test_refused_indices(low, high):
    with pytest.raises(ValueError, match="no marked exposure index lies from"):
        indices_between(low, high)


def test_changing_light_keeps_more_and_is_read_again_before_it_used_that():
    told = advise(asked(drift=6.0))
    assert (told.margin, told.hot) == (1.0, 2.5)
    assert told.watch.minutes * told.watch.drift / 60.0 == pytest.approx(told.watch.extra)
    assert told.watch.minutes == 5.0
    with pytest.raises(ValueError, match="the drift of changing light must be above zero, not 0"):
        watch(0.0)


def test_dark_key_is_a_lower_index_with_more_light():
    told = advise(asked(key=-2.0))
    assert told.hot == 3.0
    assert told.pull == -5.0
    assert told.key.over == 5.0
    assert told.key.index == 25.0
    # The light on the sensor by either account (ISO 12232: grey's exposure is 10 / S):
    by_hot = 10.0 / 800.0 * 2.0**told.hot
    by_index = 10.0 / told.key.index * 2.0**told.key.stops
    assert by_hot == pytest.approx(by_index, rel=1e-12)
    assert advise(asked(key=-2.0, present=Present())).key.index is None


def test_the_end_of_an_encoding_is_no_promise_of_the_sensor():
    assert any("may clip below it" in note for note in advise(asked(source="encodable")).notes)
    assert not any("may clip below it" in note for note in advise(asked()).notes)


def test_cautions_are_always_there():
    told = " ".join(advise(asked()).cautions)
    for word in ("sun", "laser", "welding", "optical finder", "estimates", "crew's judgement"):
        assert word in told


def test_refused():
    with pytest.raises(ValueError, match="a margin must be zero stops or more, not -1"):
        advise(asked(margin=-1.0))
    with pytest.raises(ValueError, match="beyond"):
        advise(asked(clip=39.0, bright=-39.0))


def test_ways_are_those_of_the_advice():
    present = Present(
        t_stop=Label("T4", 4.0), angle=Label("90", Fraction(90)), rate=Label("24", Fraction(24))
    )
    told = advise(asked(clip=5.5, present=present))  # 2 stops
    assert {each.by: each.nominal for each in told.ways} == {"t_stop": "T2", "angle": "360 deg"}


def test_the_margin_is_the_half_stop_of_saturation_speed():
    """ISO 12232, "Film speed" in encyclopaedias: grey at 0.18 / sqrt 2 of saturation."""
    from_grey = math.log2(math.sqrt(2.0) / 0.18)
    to_white = math.log2(1.0 / 0.18)
    assert from_grey - to_white == pytest.approx(MARGIN, abs=1e-12)
    assert math.log2(0.127 / 0.18) == pytest.approx(-MARGIN, abs=0.005)  # 12.7 %, as printed
