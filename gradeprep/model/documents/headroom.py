"""The document of `headroom`: how hot a scene may be exposed, how to get there, and what it buys.

Plain dataclasses, so that importing them loads no library.
Stops are log2 of light, positive for more. Tones are stops from grey.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

__all__ = [
    "HeadroomDocument",
    "SceneCeiling",
    "Division",
    "Given",
    "Key",
    "NoiseGain",
    "SceneBrightness",
    "ToneNoise",
    "Usable",
    "Watch",
    "Way",
]


class _HeadroomPart:
    """Base of every part: pydantic, which makes the schema, refuses unknown keys."""

    __slots__ = ()
    __pydantic_config__ = {"extra": "forbid"}  # noqa: RUF012 - read by name, never changed


@dataclass(frozen=True, slots=True, kw_only=True)
class Given(_HeadroomPart):
    """A present setting: as written, and what it exactly is.

    Attributes:
        name: ``aperture``, ``t_stop``, ``time``, ``angle``, ``index`` or ``density``.
        written: The label.
        exact: The exact value, in the unit of the setting: s, degrees, log10 of the density.
        unit: That unit; empty for a plain number.
        off_by: Light that the exact value gives over what the label's number says, in stops.
    """

    name: str
    written: str
    exact: float
    unit: str
    off_by: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SceneBrightness(_HeadroomPart):
    """The brightest thing that must keep detail.

    Attributes:
        bright: Stops that it stands above grey.
        how: What that was read from.
    """

    bright: float
    how: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SceneCeiling(_HeadroomPart):
    """Where the recording ends.

    Attributes:
        stops: Stops above grey at the present exposure index.
        source: ``stated``, ``plateau`` (of recorded values in a clipped plate), ``sensor`` (a
            sensor channel that lost its photon noise in a clipped plate), or ``encodable`` (the
            end of the encoding; the sensor may end before or after it).
        how: What it was read from.
    """

    stops: float
    source: Literal["stated", "plateau", "sensor", "encodable"]
    how: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Way(_HeadroomPart):
    """One setting that brings the wanted change of light by itself.

    Attributes:
        by: The setting that changes.
        exact: Its new value that gives all of the change, or as much of it as there is.
        unit: Unit of ``exact``; empty for a plain number.
        nominal: The marked value to set: the nearest that never gives more light than wanted;
            None where no mark serves.
        nominal_exact: What the mark stands for, in the same unit.
        stops: Change of light that the mark really gives, in stops.
        left: What is still wanted then, in stops.
        effect: What else changes with it.
    """

    by: str
    exact: float
    unit: str
    nominal: str | None
    nominal_exact: float | None
    stops: float
    left: float
    effect: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Division(_HeadroomPart):
    """How a fixed sensor's range divides at one exposure index.

    Attributes:
        index: The exposure index.
        stops: Stops that grey stands higher on the sensor than at the present index.
        above: Stops from grey to clip.
        below: Stops from grey down to 10:1; None where the sensor is not known.
        room: Stops left over the brightest thing at normal exposure for this index, the margin
            kept.
    """

    index: float
    stops: float
    above: float
    below: float | None
    room: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ToneNoise(_HeadroomPart):
    """Signal to noise ratio of one tone.

    Attributes:
        tone: Stops from grey.
        electrons: Electrons that it collects at normal exposure.
        normal: Its signal to noise ratio at normal exposure; None where it clips.
        hot: The same when exposed hot and pulled back; None where it clips.
    """

    tone: float
    electrons: float
    normal: float | None
    hot: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Usable(_HeadroomPart):
    """The darkest tone that reaches a signal to noise ratio.

    Attributes:
        ratio: 10 (first acceptable) or 40 (first excellent), ISO 12232.
        normal: That tone at normal exposure, in stops from grey.
        hot: The same when exposed hot.
    """

    ratio: float
    normal: float
    hot: float


@dataclass(frozen=True, slots=True, kw_only=True)
class NoiseGain(_HeadroomPart):
    """What the light buys, by the sensor's model.

    Attributes:
        full_well: Electrons at the clip.
        read_noise: Standard deviation of the read-out, in electrons.
        grey: Electrons of grey at normal exposure.
        how: Where the two numbers come from.
        tones: Tones from the brightest that fits down.
        usable: Darkest usable tones.
    """

    full_well: float
    read_noise: float
    grey: float
    how: str
    tones: tuple[ToneNoise, ...]
    usable: tuple[Usable, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Watch(_HeadroomPart):
    """Light that changes.

    Attributes:
        drift: How fast it changes, in stops an hour.
        extra: What the margin was enlarged by for it, in stops.
        minutes: Read the light again within this time: then it may have used ``extra`` up.
    """

    drift: float
    extra: float
    minutes: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Key(_HeadroomPart):
    """A picture that is meant to be dark, or light.

    Attributes:
        stops: Where the finished picture's grey stands, in stops from grey.
        over: Stops that the recording stands over its finished look.
        index: Exposure index at which the same light is a plain exposure for the look; None
            where no index is given.
    """

    stops: float
    over: float
    index: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class HeadroomDocument(_HeadroomPart):
    """The document of ``gradeprep headroom --json``.

    Attributes:
        gradeprep_headroom: Version of the document's format.
        scene: The brightest thing that must keep detail.
        ceiling: Where the recording ends.
        margin: Stops kept free under it.
        hot: Stops that the scene may be exposed hot; negative where it needs less than normal.
        pull: Stops that bring the hot recording to its finished exposure.
        given: The present settings.
        ways: Ways to get there, each by itself.
        divisions: How a fixed sensor's range divides at other exposure indices.
        noise: What it buys; None where the sensor is not known.
        watch: How often to read light that changes; None where it does not.
        key: A picture that is meant to be dark; None where nothing was said.
        notes: What a reader of the numbers must know.
        cautions: What to mind when measuring.
    """

    gradeprep_headroom: Literal[1] = 1
    scene: SceneBrightness
    ceiling: SceneCeiling
    margin: float
    hot: float
    pull: float
    given: tuple[Given, ...]
    ways: tuple[Way, ...]
    divisions: tuple[Division, ...]
    noise: NoiseGain | None
    watch: Watch | None
    key: Key | None
    notes: tuple[str, ...]
    cautions: tuple[str, ...]
