"""What is asked: the recipe. Plain data to a checked model; all faults reported at once.

The defaults of a recipe stand under each shot: a shot's own key wins, ``checks`` and ``output``
are merged key by key, a list is replaced as a whole.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import PurePath
from typing import Annotated, Any, Literal, TypeVar

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    PlainSerializer,
    ValidationError,
    WithJsonSchema,
    model_validator,
)

from gradeprep.errors import Fault, PluginError, RecipeError
from gradeprep.model.framerange import FrameRange
from gradeprep.model.lines import KeyPath, Lines
from gradeprep.model.pixeltypes import PIXEL_TYPES
from gradeprep.model.wording import dotted, nearest, said

__all__ = [
    "TYPES",
    "RecipePart",
    "ColourAsk",
    "Kinds",
    "LookAsk",
    "OutputAsk",
    "Recipe",
    "RecipeText",
    "Shot",
    "ShotSettings",
    "StageAsk",
    "build_recipe",
]

M = TypeVar("M", bound=BaseModel)

VERSION = 1
LOOK_FILES = (".clf", ".cube")
TYPES = ("source", *(name for name in PIXEL_TYPES if name != "uint32"))


class RecipePart(BaseModel):
    """Base of the asked side: frozen, unknown keys refused."""

    model_config = ConfigDict(frozen=True, extra="forbid", defer_build=True)


def _frames(value: Any) -> FrameRange | None:
    if value is None or isinstance(value, FrameRange):
        return value
    if isinstance(value, bool) or not isinstance(value, int | str):
        raise ValueError(f"'{value}' is not a frame range; write for example 1001-1048 or 1001")
    return FrameRange.parse(str(value))


Frames = Annotated[
    FrameRange | None,
    BeforeValidator(_frames),
    PlainSerializer(lambda frames: None if frames is None else str(frames)),
    WithJsonSchema({"anyOf": [{"type": "string"}, {"type": "integer"}]}),
]


def _carried(value: Any) -> Any:
    try:
        json.dumps(value, allow_nan=False)
    except (TypeError, ValueError) as error:
        raise ValueError("must be plain data of finite numbers") from error
    return value


Carried = Annotated[dict[str, Any], AfterValidator(_carried)]


class LookAsk(RecipePart):
    """The show's look: one of the config by its name, or a file and the space it works in."""

    name: str | None = Field(None, description="A look of the config")
    file: str | None = Field(None, description="A CLF or .cube file, beside the recipe")
    space: str | None = Field(
        None, description="Space that the file takes and gives back; the working space if left out"
    )

    @model_validator(mode="after")
    def _one_look(self) -> LookAsk:
        if (self.name is None) == (self.file is None):
            raise ValueError("a look is either a 'name' of the config or a 'file'; give one")
        if self.file is None:
            if self.space is not None:
                raise ValueError("a look of the config knows its own space; leave 'space' out")
            return self
        kind = PurePath(self.file).suffix.lower()
        if kind not in LOOK_FILES:
            raise ValueError(f"'{self.file}' is no look; give a name, or a .clf or .cube file")
        if kind == ".cube" and self.space is None:
            raise ValueError(
                "a .cube does not state the space it was made for; write "
                "'look: {file: show.cube, space: ACEScct}'"
            )
        return self


def _look(value: Any) -> Any:
    """A lone text is a file where it ends like one, else a name."""
    if not isinstance(value, str):
        if value is not None and not isinstance(value, dict):
            raise ValueError(f"'{value}' is no look; give a name, a file, or {{file, space}}")
        return value
    kind = "file" if PurePath(value).suffix.lower() in LOOK_FILES else "name"
    return {kind: value}


Look = Annotated[
    LookAsk | None,
    BeforeValidator(_look, json_schema_input_type=str | LookAsk | None),
]


class ColourAsk(RecipePart):
    """Which OpenColorIO config, and which of its spaces the stages work in."""

    config: str | None = Field(None, description="Path, or ocio:// name, of a config")
    working: str = Field("scene_linear", description="Scene-linear space or role")
    context: dict[str, str] = Field({}, description="Context variables of the config")
    look: Look = Field(
        None,
        description="The show's look, for pictures of the report only; it decides no pixel. "
        "A name of the config, a CLF file, or {file, space}",
    )


class OutputAsk(RecipePart):
    """What is written, and where."""

    plate: str | None = Field(None, description="Pattern; {shot} stands for the shot's name")
    space: str = Field("source", description="Colour space of the result")
    type: Literal[TYPES] = "source"  # type: ignore[valid-type]
    compression: str = Field("source", description="Compression of the result")
    container: Literal["source", "aces"] = "source"
    only_colour: bool = Field(False, description="Leave out what the format cannot hold")


class StageAsk(RecipePart):
    """One stage by name, with its parameters as the stage's own model checked them."""

    stage: str
    params: Any


class ShotSettings(RecipePart):
    """All that may be said of a shot, or of every shot under ``defaults``."""

    plate: str | None = Field(None, description="Pattern, file or folder of the source plate")
    frames: Frames = Field(None, description="Frame range; all frames on disk when left out")
    space: str | None = Field(None, description="Colour space of the source plate")
    any_space: bool = Field(False, description="Take a data or display-referred space as it is")
    layers: tuple[str, ...] | None = Field(None, description="Layers that are colour")
    stages: tuple[dict[str, Any], ...] = Field((), description="Stages in order")
    order: Literal["lift-first", "as-written"] = "lift-first"
    checks: dict[str, dict[str, Any] | None] = Field({}, description="Checks to run first")
    output: OutputAsk = OutputAsk()
    nonfinite: Literal["keep", "fail"] = "keep"
    allow_pulled: bool = Field(
        False, description="Pull a plate whose metadata says it has already been pulled"
    )
    carried: Carried = Field({}, description="Passed on into the sidecar; decides nothing")


class RecipeText(RecipePart):
    """A recipe as it is written."""

    gradeprep: Literal[1] = Field(description="Version of the recipe format")
    colour: ColourAsk = ColourAsk()
    defaults: ShotSettings = ShotSettings()
    shots: dict[str, ShotSettings] = Field(min_length=1)


@dataclass(frozen=True, slots=True)
class Shot:
    """A shot with the defaults filled in and its plugins' parameters checked."""

    name: str
    plate: str
    frames: FrameRange | None
    space: str | None
    any_space: bool
    layers: tuple[str, ...] | None
    stages: tuple[StageAsk, ...]
    order: Literal["lift-first", "as-written"]
    checks: Mapping[str, Any]
    output: OutputAsk
    nonfinite: Literal["keep", "fail"]
    allow_pulled: bool
    carried: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Recipe:
    """A checked recipe.

    Attributes:
        colour: Config and working space.
        shots: Name to shot, in the order written.
    """

    colour: ColourAsk
    shots: Mapping[str, Shot]


@dataclass(frozen=True, slots=True)
class Kinds:
    """Parameter models of the plugins that a recipe may name, by plugin name.

    Looking up one that does not load raises `PluginError`.

    Attributes:
        stages: Models of stages.
        meters: Models of meters.
        checks: Models of checks.
        compressions: Gives the names of the compressions that results can have.
    """

    stages: Mapping[str, type[BaseModel]] = field(default_factory=dict)
    meters: Mapping[str, type[BaseModel]] = field(default_factory=dict)
    checks: Mapping[str, type[BaseModel]] = field(default_factory=dict)
    compressions: Callable[[], Sequence[str]] = tuple


def build_recipe(data: Any, kinds: Kinds, *, lines: Lines, file: str | None = None) -> Recipe:
    """Check plain data against the recipe model and the plugins' parameter models.

    Raises:
        RecipeError: With every fault found, each with its key path and line.
    """
    if not isinstance(data, dict):
        raise RecipeError(
            [Fault("", 1, "a recipe is a mapping; start with 'gradeprep: 1'")], file=file
        )
    _check_version(data, lines, file)
    checker = _Checker(kinds, lines)
    checker.plugins(data)
    text = checker.model(RecipeText, data, ())
    shots = {} if text is None else dict(checker.shots(text))
    if checker.faults or text is None:
        ordered = sorted(checker.faults, key=lambda fault: (fault.line or 0, fault.key))
        raise RecipeError(ordered, file=file)
    return Recipe(text.colour, shots)


def _check_version(data: Mapping[Any, Any], lines: Lines, file: str | None) -> None:
    version = data.get("gradeprep")
    if version != VERSION or isinstance(version, bool):
        what = (
            f"the first key must say the recipe version: 'gradeprep: {VERSION}'"
            if version is None
            else f"recipe version {version} is not known; this is version {VERSION}"
        )
        raise RecipeError([Fault("gradeprep", lines.of(("gradeprep",)), what)], file=file)


class _Checker:
    """Collects faults while models are built."""

    def __init__(self, kinds: Kinds, lines: Lines) -> None:
        self.kinds = kinds
        self.lines = lines
        self.faults: list[Fault] = []

    def fault(self, path: KeyPath, what: str) -> None:
        fault = Fault(dotted(path), self.lines.of(path), what)
        if fault not in self.faults:  # a fault in the defaults is met at every shot
            self.faults.append(fault)

    def model(self, model: type[M], data: Any, at: KeyPath) -> M | None:
        try:
            return model.model_validate(data)
        except ValidationError as error:
            for path, what in said(model, data, error):
                self.fault((*at, *path), what)
            return None

    def plugins(self, data: Mapping[Any, Any]) -> None:
        """Check the stages and checks named anywhere, whatever else is wrong around them."""
        shots = data.get("shots")
        places: list[tuple[KeyPath, Any]] = [(("defaults",), data.get("defaults"))]
        if isinstance(shots, Mapping):
            places += [(("shots", name), settings) for name, settings in shots.items()]
        for at, settings in places:
            if not isinstance(settings, Mapping):
                continue
            stages, checks = settings.get("stages"), settings.get("checks")
            if isinstance(stages, list) and all(isinstance(entry, dict) for entry in stages):
                list(self._stages(stages, (*at, "stages")))
            if isinstance(checks, dict):
                self._checked(checks, (*at, "checks"))

    def shots(self, text: RecipeText) -> Iterator[tuple[str, Shot]]:
        for name, own in text.shots.items():
            if not _plain_name(name):
                self.fault(
                    ("shots", name),
                    "a shot's name becomes a file name; use letters, digits, '_', '-' and '.', "
                    "150 bytes at most",
                )
            shot = self._shot(name, text.defaults, own)
            if shot is not None:
                yield name, shot

    def _shot(self, name: str, defaults: ShotSettings, own: ShotSettings) -> Shot | None:
        before = len(self.faults)

        def place(key: str) -> KeyPath:
            said = key in own.model_fields_set
            return ("shots", name, key) if said else ("defaults", key)

        def pick(key: str) -> Any:
            said = own if key in own.model_fields_set else defaults
            return getattr(said, key)

        plate = pick("plate")
        output = _merged(defaults.output, own.output)
        if plate is None:
            self.fault(("shots", name), "say which plate: 'plate: folder/name.####.exr'")
        if output.plate is None:
            self.fault(
                ("shots", name),
                "say where to write: 'output: {plate: out/{shot}/{shot}.####.exr}'",
            )
        self._compression(output.compression, (*place("output"), "compression"))
        stages = tuple(self._stages(pick("stages"), place("stages")))
        checks = self._checks(defaults, own, name)
        if len(self.faults) > before:
            return None
        return Shot(
            name=name,
            plate=plate,
            frames=pick("frames"),
            space=pick("space"),
            any_space=pick("any_space"),
            layers=pick("layers"),
            stages=stages,
            order=pick("order"),
            checks=checks,
            output=output,
            nonfinite=pick("nonfinite"),
            allow_pulled=pick("allow_pulled"),
            carried=pick("carried"),
        )

    def _compression(self, name: str, at: KeyPath) -> None:
        if name != "source" and name not in (known := self.kinds.compressions()):
            self.fault(at, f"'{name}' is not one of source, {', '.join(known)}")

    def _stages(self, entries: Iterable[dict[str, Any]], at: KeyPath) -> Iterator[StageAsk]:
        for index, entry in enumerate(entries):
            path = (*at, index)
            if len(entry) != 1:
                self.fault(path, "a stage is one key with its parameters: '- pull: {stops: -3}'")
                continue
            name, params = next(iter(entry.items()))
            model = self._plugin(self.kinds.stages, "stage", name, (*path, name))
            checked = None if model is None else self.model(model, _given(params), (*path, name))
            if checked is not None:
                self._meters(checked, (*path, name))
                yield StageAsk(stage=name, params=checked)

    def _meters(self, params: BaseModel, at: KeyPath) -> None:
        """Check the meter's own parameters wherever a stage lets stops be measured."""
        for key in type(params).model_fields:
            ask = getattr(params, key)
            if getattr(ask, "meter", None) is None:
                continue
            path = (*at, key)
            model = self._plugin(self.kinds.meters, "meter", ask.meter, (*path, "meter"))
            if model is not None:
                self.model(model, ask.params, path)

    def _checks(self, defaults: ShotSettings, own: ShotSettings, shot: str) -> dict[str, Any]:
        return {
            **self._checked(defaults.checks, ("defaults", "checks")),
            **self._checked(own.checks, ("shots", shot, "checks")),
        }

    def _checked(self, asks: Mapping[str, Any], at: KeyPath) -> dict[str, Any]:
        checked: dict[str, Any] = {}
        for name, params in asks.items():
            model = self._plugin(self.kinds.checks, "check", name, (*at, name))
            if model is not None:
                checked[name] = self.model(model, _given(params), (*at, name))
        return checked

    def _plugin(
        self, known: Mapping[str, type[BaseModel]], kind: str, name: Any, path: KeyPath
    ) -> type[BaseModel] | None:
        try:
            model = known.get(name)
        except PluginError as error:
            self.fault(path, str(error))
            return None
        if model is None:
            self.fault(path, f"no {kind} is called '{name}'{nearest(str(name), known)}")
        return model


def _given(params: Any) -> Any:
    """A plugin named without parameters takes them all from its defaults."""
    return {} if params is None else params


def _merged(defaults: OutputAsk, own: OutputAsk) -> OutputAsk:
    said = {key: getattr(own, key) for key in own.model_fields_set}
    return defaults.model_copy(update=said)


def _plain_name(name: str) -> bool:
    return (
        isinstance(name, str)
        and all(letter.isalnum() or letter in "_-." for letter in name)
        and 0 < len(name.encode()) <= 150
        and not name.startswith((".", "-"))
    )
