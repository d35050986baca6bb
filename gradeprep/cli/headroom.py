"""``gradeprep headroom``."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict
from typing import Any

import click

from gradeprep.cli import options
from gradeprep.cli.advice import printable
from gradeprep.errors import RequestError
from gradeprep.meters import labels
from gradeprep.model.documents.headroom import SceneBrightness, SceneCeiling
from gradeprep.onset import headroom, readings
from gradeprep.onset.present import Present
from gradeprep.onset.sensor import SensorModel
from gradeprep.photometry import REFLECTED_LIGHT

__all__ = ["command"]


class _Words(click.ParamType[Any]):
    """A text that a function of ours understands; its ValueError is the complaint."""

    def __init__(self, name: str, understand: Callable[[str], Any]) -> None:
        self.name = name
        self.understand = understand

    def convert(self, value: Any, param: Any, ctx: Any) -> Any:
        if not isinstance(value, str):
            return value
        try:
            return self.understand(value)
        except ValueError as error:
            self.fail(str(error), param, ctx)


def _setting(column: str) -> _Words:
    # An aperture's mark is a label; a moving-picture camera's time is what it says.
    marked = column in ("aperture", "tstop")
    return _Words("value", lambda written: labels.read_label(column, written, marked=marked))


READING = _Words("reading", readings.parse)


@click.command("headroom")
@click.option(
    "--grey",
    type=READING,
    help="Reading of grey: 40cd/m2 (spot), 700lx (incident), 9.3EV@800 (spot, at its index).",
)
@click.option(
    "--bright", type=READING, help="The same (cd/m2, lx, EV) of what must just keep detail."
)
@click.option("--bright-stops", type=options.STOPS, help="Stops it stands above grey, instead.")
@click.option(
    "--reflectance",
    type=float,
    default=1.0,
    help="Share of the light, 0 to 1, that it reflects, with --bright in lx [1].",
)
@click.option(
    "--meter-constant",
    type=float,
    default=REFLECTED_LIGHT,
    metavar="K",
    help="Of a spot meter that reads EV, cd s/m2 (ISO 2720: 10.6 to 13.4; often 14) [12.5].",
)
@click.option("--clip", type=options.STOPS, help="Where the camera clips: stops above grey.")
@click.option("--plate", metavar="PLATE", help="Test plate: its clip is measured, or its regions.")
@click.option(
    "--grey-region",
    nargs=4,
    type=float,
    metavar="X Y W H",
    help="Grey card in it: pixels, or fractions to 1.",
)
@click.option(
    "--bright-region",
    nargs=4,
    type=float,
    metavar="X Y W H",
    help="Brightest thing in it: pixels, or fractions to 1.",
)
@click.option("--space", metavar="NAME", help="Colour space of plates; a log space's end clips.")
@click.option(
    "--margin",
    type=options.STOPS,
    default=headroom.MARGIN,
    help=f"Stops kept free under the clip [{headroom.MARGIN:g}].",
)
@click.option(
    "--changing", is_flag=True, help=f"The light changes: keep {headroom.EXTRA:g} stop more."
)
@click.option(
    "--drift",
    type=options.STOPS,
    help=f"How fast it changes, in stops an hour [with --changing {headroom.DUSK:g}, as at dusk].",
)
@click.option(
    "--final-key", type=options.STOPS, help="Where the finished grey stands, in stops: -2 is dark."
)
@click.option("--aperture", type=_setting("aperture"), help="Present f-number: f/5.6.")
@click.option("--t-stop", type=_setting("tstop"), help="Present T-stop: T2.8.")
@click.option("--time", type=_setting("time_s"), help="Present time in seconds: 1/48.")
@click.option("--angle", type=_setting("angle_deg"), help="Present shutter angle in degrees: 180.")
@click.option(
    "--rate", type=_setting("rate_fps"), help="Frames per second: 24, 23.976, 24000/1001."
)
@click.option("--index", type=_setting("index"), help="Present exposure index (ISO 12232): 800.")
@click.option(
    "--density", type=_setting("density"), help="Present filters, log10: 0.9, or 0.3+0.6."
)
@click.option(
    "--indices",
    nargs=2,
    type=float,
    metavar="LOW HIGH",
    help="Exposure indices to divide the range at [2 stops either side].",
)
@click.option("--full-well", type=float, metavar="E", help="Electrons of a photosite at the clip.")
@click.option(
    "--read-noise", type=float, metavar="E", help="Electrons rms of the read-out, rounding too."
)
@click.option(
    "--noise-plate", metavar="PLATE", help="Two frames and many tones to measure both from."
)
@options.config
@options.frames
@options.json_output
@options.traceback_option
def command(as_json: bool, **asked: Any) -> None:
    """Say how many stops hot a scene may be exposed, how to get there, and what it buys.

    Wanted: grey and the brightest thing that must keep detail (two readings, --bright-stops, or
    two regions of a test plate), and where the recording ends (--clip, a clipped test plate, or a
    log --space). Present settings get their new value; a sensor's two numbers give the noise.

    \b
    Examples:
      gradeprep headroom --grey 40cd/m2 --bright 320cd/m2 --clip 6.5
      gradeprep headroom --bright-stops 3 --clip 6.5 --t-stop T4 --angle 180 --rate 24 \\
          --index 800 --density 0.9 --full-well 30000 --read-noise 3
      gradeprep headroom --bright-stops 3 --plate test.####.exr --space ACEScct --json
    """
    with _as_request():
        found = headroom.advise(_asked(asked))
    if as_json:
        click.echo(json.dumps(asdict(found), indent=1, ensure_ascii=False))
    else:
        click.echo(printable(found))


@contextmanager
def _as_request(key: str | None = None) -> Iterator[None]:
    """A number that cannot be is a wrong request."""
    try:
        yield
    except ValueError as error:
        raise RequestError(str(error), key=key) from error


def _asked(asked: dict[str, Any]) -> headroom.Asked:
    names = ("aperture", "t_stop", "time", "angle", "rate", "index", "density")
    with _as_request():
        present = Present(**{name: asked[name] for name in names})
    scene = _scene(asked)
    ceiling = _ceiling(asked)
    return headroom.Asked(
        scene=scene,
        ceiling=ceiling,
        present=present,
        margin=asked["margin"],
        drift=_drift(asked),
        key=asked["final_key"],
        indices=_indices(asked),
        sensor=_sensor(asked, ceiling),
    )


def _scene(asked: dict[str, Any]) -> SceneBrightness:
    ways = {
        "--bright-stops": asked["bright_stops"] is not None,
        "--grey and --bright": asked["grey"] is not None or asked["bright"] is not None,
        "--grey-region and --bright-region": bool(asked["grey_region"] or asked["bright_region"]),
    }
    lines = [name for name, given in ways.items() if given]
    if len(lines) != 1:
        what = (
            f"{' and '.join(lines)} say the same"
            if lines
            else "how bright the scene is, is missing"
        )
        raise click.UsageError(f"{what}; give one of: {'; '.join(ways)}")
    if ways["--bright-stops"]:
        return SceneBrightness(bright=asked["bright_stops"], how="stated")
    if ways["--grey and --bright"]:
        if asked["grey"] is None or asked["bright"] is None:
            raise click.UsageError("two readings belong together; give --grey and --bright")
        with _as_request():
            return readings.between(
                asked["grey"],
                asked["bright"],
                reflectance=asked["reflectance"],
                constant=asked["meter_constant"],
            )
    if not (asked["grey_region"] and asked["bright_region"] and asked["plate"]):
        raise click.UsageError(
            "regions belong together, and to a plate; give --plate, --grey-region, --bright-region"
        )
    from gradeprep.onset.testplate import measured_scene

    grey, bright = asked["grey_region"], asked["bright_region"]
    return measured_scene(_plate(asked, "plate"), grey=grey, bright=bright)


def _ceiling(asked: dict[str, Any]) -> SceneCeiling:
    if asked["clip"] is not None:
        _not_idle(asked)
        return SceneCeiling(stops=asked["clip"], source="stated", how="stated")
    if asked["plate"] is not None:
        from gradeprep.onset.testplate import measured_ceiling

        return measured_ceiling(_plate(asked, "plate"))
    if asked["space"] is not None:
        from gradeprep.onset.encoding import encodable

        return encodable(asked["space"], asked["config"])
    raise click.UsageError(
        "where the recording ends is missing; give --clip, a clipped --plate, or a log --space"
    )


def _not_idle(asked: dict[str, Any]) -> None:
    """What a stated clip leaves nothing to do is contradictory, not to be passed over."""
    if asked["plate"] is not None and not asked["bright_region"]:
        raise click.UsageError("--clip states what --plate would measure; give one of them")
    if asked["space"] is not None and asked["plate"] is None and asked["noise_plate"] is None:
        raise click.UsageError("--clip and --space both state the clip; give one of them")


def _sensor(asked: dict[str, Any], ceiling: SceneCeiling) -> tuple[SensorModel, str] | None:
    full_well, read_noise = asked["full_well"], asked["read_noise"]
    if asked["noise_plate"] is not None:
        if full_well is not None or read_noise is not None:
            raise click.UsageError(
                "--noise-plate measures --full-well and --read-noise; give the plate or the numbers"
            )
        from gradeprep.onset.transfer import photon_transfer

        plate = _plate(asked, "noise_plate")
        with _as_request("--noise-plate"):
            found = photon_transfer(plate, clip=ceiling.stops)
        return found.sensor, found.how
    if full_well is None and read_noise is None:
        return None
    if full_well is None or read_noise is None:
        raise click.UsageError("a sensor has two numbers; give --full-well and --read-noise")
    with _as_request():
        return SensorModel(full_well=full_well, read_noise=read_noise), "stated"


def _plate(asked: dict[str, Any], name: str) -> Any:
    """A view of a plate; imported here, so that stated numbers load no pixels' libraries."""
    from gradeprep.pipeline.plateview import PlateAsk, open_plates

    ask = PlateAsk(plate=asked[name], space=asked["space"], frames=asked["frames"])
    return open_plates({name: ask}, asked["config"])[name]


def _drift(asked: dict[str, Any]) -> float | None:
    if asked["drift"] is None:
        return headroom.DUSK if asked["changing"] else None
    return float(asked["drift"])


def _indices(asked: dict[str, Any]) -> tuple[float, ...]:
    if not asked["indices"]:
        return ()
    if asked["index"] is None:
        raise click.UsageError("--indices are compared with the present one; give --index as well")
    with _as_request("--indices"):
        return headroom.indices_between(*asked["indices"])
