"""The printable table of `headroom`: 80 columns, plain text."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable, Iterator

from gradeprep.model.documents.headroom import (
    Division,
    Given,
    HeadroomDocument,
    Key,
    NoiseGain,
    Watch,
    Way,
)

__all__ = ["printable"]

_WIDTH = 80

_NAMES = {"t_stop": "T-stop", "index": "index"}

_UNITS = {"deg": " deg", "s": " s", "fps": " fps", "": ""}


def printable(found: HeadroomDocument) -> str:
    """All of it as text, sections one under the other."""
    return "\n".join(line.rstrip() for line in _lines(found))


def _lines(found: HeadroomDocument) -> Iterator[str]:
    yield from _room(found)
    if found.watch is not None:
        yield from _wrapped(_watch(found.watch))
    if found.key is not None:
        yield from _wrapped(_key(found.key))
    if found.given:
        yield from _given(found.given)
    if found.ways:
        yield from _ways(found)
    if found.divisions:
        yield from _divisions(found.divisions)
    if found.noise is not None:
        yield from _noise(found.noise)
    yield ""
    for sentence in (*found.notes, *found.cautions):
        yield from _wrapped(f"- {sentence}", indent="  ")


def _room(found: HeadroomDocument) -> Iterator[str]:
    rows = (
        ("recording ends", found.ceiling.stops, f"stops from grey ({found.ceiling.how})"),
        ("brightest thing", found.scene.bright, f"stops from grey ({found.scene.how})"),
        ("margin", found.margin, "stops kept free"),
    )
    for name, stops, what in rows:
        yield from _wrapped(f"{name:<17}{stops:>+7.2f} {what}", indent=" " * 25)
    verdict = "stops hot" if found.hot >= 0.0 else "stops: too bright for normal exposure"
    yield f"{'expose':<17}{found.hot:>+7.2f} {verdict}"
    yield f"{'pull in post':<17}{found.pull:>+7.2f} stops"


def _watch(watch: Watch) -> str:
    return (
        f"The light changes by {watch.drift:g} stops an hour: the margin holds {watch.extra:g} "
        f"stop more, and the light is to be read again within {_minutes(watch.minutes)}, and "
        "whenever a cloud comes or goes."
    )


def _minutes(minutes: float) -> str:
    return f"{minutes:.1f} minutes" if minutes < 10.0 else f"{minutes:.0f} minutes"


def _key(key: Key) -> str:
    place = "darker" if key.stops < 0.0 else "lighter"
    said = (
        f"The finished picture is {abs(key.stops):g} stops {place}: the recording stands "
        f"{key.over:.2f} stops over its look."
    )
    if key.index is None or key.over <= 0.0:
        return said
    return (
        f"{said} On a fixed sensor that is the same thing as exposure index {key.index:.0f} with "
        "the light that it asks for when the picture is exposed for its look."
    )


def _wrapped(text: str, *, indent: str = "") -> list[str]:
    return textwrap.wrap(text, _WIDTH, subsequent_indent=indent, break_long_words=False)


def _given(given: Iterable[Given]) -> Iterator[str]:
    yield ""
    yield f"{'SET NOW':<12}{'written':<16}{'exactly':<20}{'differs by (stops)'}"
    for each in given:
        exact = _value(each.exact, each.unit)
        yield f"{_name(each.name):<12}{each.written:<16}{exact:<20}{each.off_by:+.3f}"


def _ways(found: HeadroomDocument) -> Iterator[str]:
    yield ""
    yield f"WAYS TO {found.hot:+.2f} STOPS, each by itself"
    yield f"{'':<12}{'exactly':<16}{'mark to set':<28}{'gives':>7}{'left':>8}"
    for way in found.ways:
        yield _way(way)
        yield from _wrapped(f"{'':<12}{way.effect}", indent=" " * 12)


def _way(way: Way) -> str:
    mark = "no mark serves"
    if way.nominal is not None and way.nominal_exact is not None:
        exact = _value(way.nominal_exact, way.unit)
        mark = way.nominal if exact == way.nominal.lstrip("Tf/") else f"{way.nominal} ({exact})"
    line = f"{_name(way.by):<12}{_value(way.exact, way.unit):<16}{mark:<28}"
    return f"{line}{way.stops:>+7.2f}{way.left:>+8.2f}"


def _name(name: str) -> str:
    return _NAMES.get(name, name)


def _value(value: float, unit: str) -> str:
    """A number with its unit; times under a second as a fraction too."""
    if unit == "s" and value < 1.0:
        return f"1/{1.0 / value:.4g} s"
    return f"{value:.4g}{_UNITS[unit]}"


def _divisions(divisions: Iterable[Division]) -> Iterator[str]:
    yield ""
    yield "THE RANGE AT OTHER INDICES, fixed sensor, normal exposure for each"
    yield f"{'index':>7}{'grey moves':>12}{'above grey':>12}{'below grey':>12}{'may go hot':>12}"
    for each in divisions:
        below = "" if each.below is None else f"{each.below:.2f}"
        yield (
            f"{each.index:>7.0f}{each.stops:>+12.2f}{each.above:>12.2f}{below:>12}{each.room:>+12.2f}"
        )


def _noise(noise: NoiseGain) -> Iterator[str]:
    yield ""
    yield from _wrapped(
        f"WHAT IT BUYS: full well {noise.full_well:.0f} e-, read noise {noise.read_noise:.2f} e- "
        f"({noise.how})"
    )
    yield f"{'tone':>7}{'electrons':>12}{'SNR normal':>13}{'SNR hot':>11}{'gain (dB)':>12}"
    for each in noise.tones:
        gained = ""
        if each.normal is not None and each.hot is not None:
            gained = f"{20.0 * math.log10(each.hot / each.normal):+.1f}"
        yield (
            f"{each.tone:>+7.0f}{each.electrons:>12.1f}{_snr(each.normal):>13}"
            f"{_snr(each.hot):>11}{gained:>12}"
        )
    for usable in noise.usable:
        yield (
            f"darkest tone at {usable.ratio:g}:1 (ISO 12232): {usable.normal:+.2f} normal, "
            f"{usable.hot:+.2f} hot"
        )


def _snr(snr: float | None) -> str:
    return "clips" if snr is None else f"{snr:.1f}"
