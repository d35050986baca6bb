"""``gradeprep check PLATE|RECIPE``."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any

import click
import yaml

from gradeprep.checks.clipping import ClippingParams
from gradeprep.checks.versus import Shift, compare
from gradeprep.cli import options, pictures
from gradeprep.errors import GradeprepError, RequestError
from gradeprep.model.documents.platereport import CheckDocument
from gradeprep.model.framerange import FrameRange
from gradeprep.model.wording import filled
from gradeprep.pipeline.checking import run_checks
from gradeprep.pipeline.plan import open_views
from gradeprep.pipeline.planned import Options
from gradeprep.pipeline.plateview import PlateAsk, open_plates
from gradeprep.pipeline.recipefile import read_recipe
from gradeprep.pipeline.view import View
from gradeprep.plugins.contracts import PlateView
from gradeprep.plugins.registry import installed
from gradeprep.review.checksheet import check_sheet
from gradeprep.review.screen import Screen

__all__ = ["command"]

DEFAULT = ("sequence", "pixels", "clipping", "noise")


@click.command("check")
@click.argument("plate", metavar="PLATE|RECIPE", shell_complete=options.completed_as_files)
@click.option(
    "--check", "names", multiple=True, metavar="NAME", help=f"Check to run [{', '.join(DEFAULT)}]."
)
@click.option(
    "--set", "settings", multiple=True, metavar="CHECK.KEY=VALUE", help="Any parameter of a check."
)
@click.option("--space", metavar="NAME", help="Colour space that the camera recorded.")
@click.option("--stops", type=options.STOPS, default=0.0, help="Pull that is intended [0].")
@click.option("--against", metavar="PLATE", help="Compare noise and range with another plate.")
@click.option("--against-space", metavar="NAME", help="Its colour space [as the plate's].")
@click.option("--against-stops", type=options.STOPS, default=0.0, help="Its intended pull [0].")
@pictures.options
@options.config
@options.frames
@options.json_output
@options.traceback_option
def command(
    plate: str,
    names: tuple[str, ...],
    settings: tuple[str, ...],
    config: str | None,
    frames: FrameRange | None,
    as_json: bool,
    **asked: Any,
) -> None:
    """Say what is wrong with PLATE, or with every shot of RECIPE: gaps, clipping, noise.

    Exit code 1 when a finding says 'fail'. Frames are sampled evenly over the plate, the first
    and the last among them. --picture draws the first of them: before and after, what clipped,
    its tones and its noise.

    \b
    Examples:
      gradeprep check hot/quay.####.exr --space ACEScct
      gradeprep check hot.####.exr --stops -3 --against normal.####.exr --space ACEScct
      gradeprep check hot.####.exr --stops -3 --space ACEScct --frames 1010 --picture hot.png
      gradeprep check scene.yaml --json
    """
    params = _settings(names, settings)
    picture = pictures.PictureAsk.of(asked)
    if Path(plate).suffix.lower() in (".yaml", ".yml"):
        if picture is not None:
            raise click.UsageError("a picture shows one plate; name the plate, not a recipe")
        given = _recipe(Path(plate), params if names else None, Options(config, frames))
    else:
        given = _plate(plate, params, asked, config, frames, picture)
    if as_json:
        click.echo(given.model_dump_json(by_alias=True, indent=1))
    else:
        _print(given)
    bad = any(f.severity == "fail" for found in given.shots.values() for f in found)
    sys.exit(1 if bad or given.failed else 0)


def _settings(names: tuple[str, ...], settings: tuple[str, ...]) -> dict[str, Any]:
    raw: dict[str, dict[str, Any]] = {name: {} for name in names or DEFAULT}
    for setting in settings:
        key, equals, value = setting.partition("=")
        check, dot, name = key.partition(".")
        if not (equals and dot):
            raise click.UsageError(f"'{setting}' is no setting; write --set CHECK.KEY=VALUE")
        raw.setdefault(check, {})[name] = yaml.safe_load(value)
    return {
        name: filled(installed().get("checks", name).Params, params, key=f"check {name}")
        for name, params in raw.items()
    }


def _recipe(path: Path, params: dict[str, Any] | None, wish: Options) -> CheckDocument:
    recipe = read_recipe(path)
    view = open_views(recipe, path.parent, wish)
    shots = {}
    failed: dict[str, str] = {}
    for name, shot in recipe.shots.items():
        try:
            shots[name] = run_checks(view(name), shot.checks if params is None else params)
        except GradeprepError as error:
            failed[name] = str(error.at(shot=name))
    return CheckDocument(shots=shots, failed=failed)


def _plate(
    plate: str,
    params: dict[str, Any],
    asked: dict[str, Any],
    config: str | None,
    frames: FrameRange | None,
    picture: pictures.PictureAsk | None,
) -> CheckDocument:
    plates = {
        "plate": PlateAsk(plate=plate, space=asked["space"], stops=asked["stops"], frames=frames)
    }
    if asked["against"] is not None:
        plates["against"] = PlateAsk(
            plate=asked["against"],
            space=asked["against_space"] or asked["space"],
            stops=asked["against_stops"],
        )
    views = open_plates(plates, config)
    screen = None if picture is None else picture.ready(views.values())
    given = None
    if asked["against"] is not None:
        given = _against(views["against"], views["plate"])
    found = run_checks(views["plate"], params)
    if picture is not None and screen is not None:
        _draw(picture, views["plate"], screen, params.get("clipping"))
    return CheckDocument(shots={plate: found}, against=given)


def _draw(
    picture: pictures.PictureAsk, view: PlateView, screen: Screen, params: ClippingParams | None
) -> None:
    assert isinstance(view, View)
    frame = view.frames.first
    sheet = check_sheet(view, frame, screen=screen, params=params or ClippingParams())
    picture.save(sheet)


def _against(normal: PlateView, hot: PlateView) -> dict[str, Any]:
    """What the hot plate gained over the normal one, as plain data."""
    try:
        found = compare(normal, hot)
    except ValueError as error:
        raise RequestError(str(error), key="--against") from error
    return {
        "hotter": {
            "stops": found.hotter.stops,
            "sigma": found.hotter.sigma,
            "from": found.hotter.source,
        },
        "clean_at_10_to_1": _shift(found.acceptable),
        "clean_at_40_to_1": _shift(found.excellent),
        "range": {"normal": asdict(found.normal), "hot": asdict(found.hot)},
        "gains": [
            {
                "tone": gain.tone,
                "normal_db": gain.normal,
                "hot_db": gain.hot,
                "gain_db": gain.db,
                "uncertainty_db": gain.uncertainty,
            }
            for gain in found.gains
        ],
    }


def _shift(shift: Shift) -> dict[str, Any]:
    return {
        "normal_tone": shift.normal.tone,
        "hot_tone": shift.hot.tone,
        "stops_gained": shift.stops,
        "at_least": shift.least,
    }


def _print(found: CheckDocument) -> None:
    for name, findings in found.shots.items():
        click.echo(name)
        for finding in findings:
            click.echo(f"  {finding.severity:<5}{finding.line}")
        if not findings:
            click.echo("  nothing to say")
    for line in found.failed.values():
        click.echo(f"gradeprep: {line}", err=True)
    if found.against is not None:
        _print_against(found.against)


def _print_against(data: Mapping[str, Any]) -> None:
    hotter = data["hotter"]
    click.echo(
        f"\nagainst the other plate, both at one exposure ({hotter['stops']:+.2f} stops apart, "
        f"{hotter['from']})"
    )
    for ratio, key in (("10:1", "clean_at_10_to_1"), ("40:1", "clean_at_40_to_1")):
        shift = data[key]
        gained = shift["stops_gained"]
        least = "at least " if shift["at_least"] else ""
        text = "is unknown" if gained is None else f"{least}{gained:+.2f} stops of shadow"
        click.echo(f"  clean at {ratio:<6}{text}")
    for name in ("normal", "hot"):
        span = data["range"][name]
        click.echo(
            f"  {name:<8}reaches {_stops(span['above'])} above grey, {_stops(span['below'])} "
            "below it (10:1)"
        )
    click.echo("  tone from grey    normal       hot      gain")
    for gain in data["gains"]:
        click.echo(
            f"  {gain['tone']:+10.2f} st{gain['normal_db']:8.1f} dB{gain['hot_db']:8.1f} dB"
            f"{gain['gain_db']:+8.1f} dB"
        )


def _stops(value: float | None) -> str:
    return "without end" if value is None else f"{value:.2f} stops"
