"""``gradeprep measure PLATE`` and ``gradeprep measure --scene RECIPE``."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click
import yaml

from gradeprep.cli import options, pictures
from gradeprep.errors import RequestError
from gradeprep.model.documents.platereport import (
    CurveDocument,
    MeasureDocument,
    SceneDocument,
    SceneShot,
)
from gradeprep.model.framerange import FrameRange
from gradeprep.model.record import Reading
from gradeprep.pipeline.metering import OverTime, read_frames, read_plate
from gradeprep.pipeline.plan import open_views
from gradeprep.pipeline.planned import Options
from gradeprep.pipeline.plateview import PlateAsk, open_plates
from gradeprep.pipeline.recipefile import read_recipe
from gradeprep.pipeline.recipeupdate import rewrite
from gradeprep.pipeline.scenery import Scenery, measure_scene, undecided
from gradeprep.pipeline.view import View
from gradeprep.plates import atomic
from gradeprep.review.readsheet import read_sheet

__all__ = ["command"]


@click.command("measure")
@click.argument("plate", metavar="PLATE", required=False, shell_complete=options.completed_as_files)
@click.option("--meter", metavar="NAME", help="Meter to read; `gradeprep plugins` lists them.")
@click.option("--region", nargs=4, type=float, metavar="X Y W H", help="Pixels, or fractions to 1.")
@click.option(
    "--set", "settings", multiple=True, metavar="KEY=VALUE", help="Any parameter of the meter."
)
@click.option("--space", metavar="NAME", help="Colour space that the camera recorded.")
@click.option("--frame", type=int, metavar="N", help="Read this frame only.")
@click.option("--per-frame", is_flag=True, help="Read every frame; turn the readings into keys.")
@click.option("--reference", metavar="PLATE", help="Plate that meter `reference` compares with.")
@click.option("--reference-space", metavar="NAME", help="Its colour space [as the plate's].")
@click.option("--reference-stops", type=options.STOPS, default=0.0, help="Its own pull [0].")
@click.option(
    "--scene", type=click.Path(path_type=Path), metavar="RECIPE", help="All shots of a recipe."
)
@click.option("--hero", metavar="SHOT", help="Shot that the others are brought to [the first].")
@click.option("--write", is_flag=True, help="Write the scene's stops into the recipe.")
@pictures.options
@options.config
@options.frames
@options.json_output
@options.traceback_option
def command(
    plate: str | None,
    scene: Path | None,
    hero: str | None,
    write: bool,
    config: str | None,
    frames: FrameRange | None,
    as_json: bool,
    **asked: Any,
) -> None:
    """Read how many stops PLATE is over: the pull it needs, with its uncertainty and evidence.

    Frames are sampled: a meter reads a few frames spread over the plate, or every one with
    --per-frame. Stops are negative where the plate is hot. --picture draws where the meter looked
    and what it read.

    \b
    Examples:
      gradeprep measure hot/quay.####.exr --meter grey_card --region 90 140 40 40 --space ACEScct
      gradeprep measure hot/quay.####.exr --meter average --per-frame --space ACEScct
      gradeprep measure --scene scene.yaml --hero quay_0100
    """
    picture = pictures.PictureAsk.of(asked)
    if scene is not None:
        if picture is not None:
            raise click.UsageError("a picture shows one plate, and a scene has several")
        if plate is not None:
            raise click.UsageError("give a plate, or --scene RECIPE, not both")
        sys.exit(_scene(scene, hero, write, Options(config, frames), as_json))
    if plate is None or asked["meter"] is None:
        raise click.UsageError("say what to read: PLATE and --meter NAME, or --scene RECIPE")
    found = _plate(plate, asked, config, frames, picture)
    if as_json:
        click.echo(found.model_dump_json(by_alias=True, indent=1))
    else:
        _print(found)


def _plate(
    plate: str,
    asked: dict[str, Any],
    config: str | None,
    frames: FrameRange | None,
    picture: pictures.PictureAsk | None,
) -> MeasureDocument:
    params = _params(asked)
    plates = {"plate": PlateAsk(plate=plate, space=asked["space"], frames=frames)}
    if asked["reference"] is not None:
        params.setdefault("shot", "reference")
        plates["reference"] = PlateAsk(
            plate=asked["reference"],
            space=asked["reference_space"] or asked["space"],
            stops=asked["reference_stops"],
        )
    views = open_plates(plates, config)
    view = views["plate"]
    screen = None if picture is None else picture.ready(views.values())
    if asked["per_frame"]:
        over_time = read_frames(view, asked["meter"], params)
        found = _over_time_document(plate, view.space, over_time)
        seen: dict[str, Any] = {"readings": over_time.readings, "curve": over_time.curve}
    else:
        reading = read_plate(view, asked["meter"], params)
        found = MeasureDocument(plate=plate, space=view.space, reading=reading)
        seen = {"reading": reading}
    if picture is not None and screen is not None:
        assert isinstance(view, View)
        picture.save(read_sheet(view, screen=screen, **seen))
    return found


def _params(asked: dict[str, Any]) -> dict[str, Any]:
    params: dict[str, Any] = {}
    for setting in asked["settings"]:
        key, equals, value = setting.partition("=")
        if not equals:
            raise click.UsageError(f"'{setting}' is no setting; write --set KEY=VALUE")
        params[key.strip()] = yaml.safe_load(value)
    if asked["region"]:
        params["region"] = list(asked["region"])
    if asked["frame"] is not None:
        params["frame"] = asked["frame"]
    return params


def _over_time_document(plate: str, space: str, read: OverTime) -> MeasureDocument:
    curve = CurveDocument(
        keys=dict(read.curve.keys),
        segments=tuple(f"{s.kind} {s.first}-{s.last}" for s in read.curve.segments),
        flicker=read.curve.flicker,
        warnings=read.curve.warnings,
    )
    return MeasureDocument(
        plate=plate, space=space, frames=read.readings, failed=read.failed, curve=curve
    )


def _print(found: MeasureDocument) -> None:
    if found.reading is not None:
        _print_reading(found.reading)
    for frame, reading in found.frames.items():
        click.echo(f"{frame}  {reading.stops:+.3f} stops  sigma {reading.sigma:.3f}")
    for frame, why in found.failed.items():
        click.echo(f"gradeprep: frame {frame}: {why}", err=True)
    if found.curve is not None:
        keys = ", ".join(f"{frame}: {stops:+.3f}" for frame, stops in found.curve.keys.items())
        shape = ", then ".join(found.curve.segments)
        click.echo(f"\n{shape}; flicker left {found.curve.flicker:.3f} stops rms")
        click.echo(f"pull: {{stops: {{{keys.replace('+', '')}}}}}")
        for warning in found.curve.warnings:
            click.echo(f"warning: {warning}")


def _print_reading(reading: Reading) -> None:
    weak = "  (weak evidence)" if reading.weak else ""
    click.echo(f"pull by  {reading.stops:+.3f} stops, sigma {reading.sigma:.3f}{weak}")
    if reading.balance is not None:
        red, green, blue = reading.balance
        click.echo(f"balance  {red:+.3f} {green:+.3f} {blue:+.3f} stops for R, G, B")
    for key, value in reading.evidence.items():
        click.echo(f"{key.replace('_', ' ')}: {_short(value)}")
    for warning in reading.warnings:
        click.echo(f"warning: {warning}")


def _short(value: object) -> str:
    if isinstance(value, list | tuple) and all(isinstance(item, dict) for item in value):
        return " ".join(str(item.get("frame", _short(item))) for item in value)
    if isinstance(value, float):
        return f"{value:.4g}"
    if isinstance(value, list | tuple):
        return " ".join(_short(item) for item in value)
    if isinstance(value, dict):
        return ", ".join(f"{key} {_short(item)}" for key, item in value.items())
    return str(value)


def _scene(path: Path, hero: str | None, write: bool, wish: Options, as_json: bool) -> int:
    digest = atomic.digest(path) if path.is_file() else ""
    recipe = read_recipe(path)
    hero = hero or next(iter(recipe.shots))
    if hero not in recipe.shots:
        raise RequestError(
            f"the recipe has no shot '{hero}'",
            key="--hero",
            remedy=f"it has {', '.join(recipe.shots)}",
        )
    as_recorded = open_views(undecided(recipe), path.parent, wish)
    decided = open_views(recipe, path.parent, wish)(hero)
    stops = decided.exposure(decided.frames.first)
    found = _scene_document(measure_scene(recipe, as_recorded, hero=hero, stops=stops))
    if as_json:
        click.echo(found.model_dump_json(by_alias=True, indent=1))
    else:
        for name, shot in found.shots.items():
            rests = "hero" if name == hero else f"{shot.pairs} pairs"
            click.echo(f"{name}  {shot.stops:+.3f} stops  sigma {shot.sigma:.3f}  {rests}")
        for line in (*found.outliers, *found.warnings, *found.failed):
            click.echo(f"gradeprep: {line}", err=True)
    if write:
        stops_now = {n: shot.stops for n, shot in found.shots.items() if n != hero}
        rewrite(path, stops_now, digest=digest)
    return 0


def _scene_document(solved: Scenery) -> SceneDocument:
    scene = solved.scene
    return SceneDocument(
        hero=scene.hero,
        shots={
            name: SceneShot(stops=shot.stops, sigma=shot.sigma, pairs=solved.pairs[name])
            for name, shot in scene.shots.items()
        },
        outliers=tuple(
            f"{o.pair.shot} against {o.pair.reference}: stands {o.residual:+.2f} stops "
            f"({o.sigmas:.1f} sigma) apart from what the others say; left out"
            for o in scene.outliers
        ),
        warnings=scene.warnings,
        failed=solved.failed,
    )
