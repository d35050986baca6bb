"""Colour: OpenColorIO configs, guards against pulling what is not light, and processors.

One engine only: PyOpenColorIO. (OpenImageIO carries another OpenColorIO of its own that falls
back to invented spaces without an error, so none of its colour calls is ever made.)
"""

from __future__ import annotations

import difflib
import hashlib
import os
import re
from collections.abc import Iterator, Mapping
from functools import cache, cached_property
from pathlib import Path

import numpy as np
import numpy.typing as npt
import PyOpenColorIO as ocio

from gradeprep.conversions import Convert, ToLinear, applied, per_channel, plain_matrix
from gradeprep.errors import ColourError
from gradeprep.primaries import AP0_TO_XYZ, AP0_TO_Y, PUBLISHED, Chromaticities

__all__ = ["BUILT_IN", "Colour", "choose_config", "load"]

BUILT_IN = "ocio://studio-config-latest"

_OCIO_ERRORS = (ocio.Exception, ocio.ExceptionMissingFile)
"""All that the library raises; in Python the second is no kind of the first."""

_SET = "set the context variable {} (colour.context in the recipe)"

ocio.SetLoggingLevel(ocio.LOGGING_LEVEL_NONE)


def choose_config(asked: str | None, option: str | None) -> tuple[str, str]:
    """Which config serves, and who said so.

    Precedence: the recipe, else the option ``--config``, else the environment variable OCIO,
    else the built-in studio config.
    """
    if asked:
        return asked, "recipe"
    if option:
        return option, "--config"
    environment = os.environ.get("OCIO", "")
    if environment:
        return environment, "$OCIO"
    return BUILT_IN, "built-in"


def load(config: str, context: Mapping[str, str] | None = None) -> Colour:
    """Load a config; the same one is parsed once a process.

    Args:
        config: Path of a config, or ``ocio://`` and the name of a built-in one.
        context: Context variables, over those of the environment.

    Raises:
        ColourError: Missing, unreadable, or not valid.
    """
    return _load(_resolved(config), tuple(sorted((context or {}).items())))


_BUILT_IN = ocio.BuiltinConfigRegistry()


def _resolved(config: str) -> str:
    """The name behind a built-in config's alias, so that both are one config, parsed once."""
    return str(ocio.ResolveConfigPath(config)) if config.startswith("ocio://") else config


@cache
def _load(config: str, context: tuple[tuple[str, str], ...]) -> Colour:
    builtin = config.startswith("ocio://")
    if not builtin and not Path(config).is_file():
        raise ColourError(
            "there is no such OpenColorIO config",
            file=config,
            remedy=f"give a path, or a built-in one such as {BUILT_IN}",
        )
    try:
        raw = ocio.Config.CreateFromFile(config)
        # A built-in config's text is at hand; printing one takes as long as half its parsing.
        text = _BUILT_IN[raw.getName()] if builtin else raw.serialize()
        for name, value in context:
            raw.addEnvironmentVar(name, value)
        raw.validate()
        # The library keeps processors by the text of a transform, and that of a LUT holds its
        # ends only: two cameras' curves of one length would be taken for one.
        raw.setProcessorCacheFlags(ocio.PROCESSOR_CACHE_OFF)
    except _OCIO_ERRORS as error:
        unset = _variables(str(error))
        raise ColourError(
            f"the config does not load: {_short(error, config)}",
            file=config,
            remedy=_SET.format(", ".join(unset)) if unset else "",
        ) from error
    name = f"ocio://{raw.getName()}" if builtin else str(Path(config).resolve())
    return Colour(raw, name, text)


class Colour:
    """A loaded config, frozen: names to spaces, and processors between them.

    Args:
        config: The library's config, its context variables set.
        name: Its path, or its ``ocio://`` name.
        text: Its own text, whatever the context.
    """

    def __init__(self, config: ocio.Config, name: str, text: str) -> None:
        self._config = config
        self._text = text
        self.name = name

    @property
    def config(self) -> ocio.Config:
        """The library's own config, for what is asked of it elsewhere; never to be changed."""
        return self._config

    @cached_property
    def sha256(self) -> str:
        """Hash of the config's own text."""
        return hashlib.sha256(self._text.encode("utf-8")).hexdigest()

    @cached_property
    def spaces(self) -> tuple[str, ...]:
        """Names of all active and inactive spaces, display spaces with them."""
        found = self._config.getColorSpaces(ocio.SEARCH_REFERENCE_SPACE_ALL, ocio.COLORSPACE_ALL)
        return tuple(space.getName() for space in found)

    def with_encoding(self, *encodings: str) -> Iterator[str]:
        """Names of the scene-referred spaces of the given OpenColorIO encodings."""
        for space in self._config.getColorSpaces(
            ocio.SEARCH_REFERENCE_SPACE_SCENE, ocio.COLORSPACE_ACTIVE
        ):
            if space.getEncoding() in encodings:
                yield space.getName()

    def space(self, name: str, *, key: str | None = None) -> str:
        """Canonical name of a space, role or alias.

        Raises:
            ColourError: Unknown; the message lists close matches.
        """
        canonical = self._config.getCanonicalName(name)
        if canonical:
            return str(canonical)
        raise ColourError(
            f"config '{self.name}' has no space or role '{name}'",
            key=key,
            remedy=self._suggest(name),
        )

    def _suggest(self, name: str) -> str:
        roles = self._config.getRoleNames()
        names = {known.lower(): known for known in (*self.spaces, *roles)}
        close = difflib.get_close_matches(name.lower(), names, n=4, cutoff=0.5)
        within = [low for low in names if name.lower() in low][:4]
        found = list(dict.fromkeys(names[low] for low in (*close, *within)))
        if found:
            return f"did you mean {', '.join(repr(item) for item in found)}?"
        return f"it has {', '.join(repr(item) for item in self.spaces[:12])}, ..."

    def by_rule(self, path: str | Path) -> str | None:
        """Space that a file rule names for a path.

        None where only the default rule does, or one that goes by the extension alone: that every
        EXR is in one space says nothing about this one.
        """
        space, index = self._config.getColorSpaceFromFilepath(str(path))
        rules = self._config.getFileRules()
        if rules.getName(index) == ocio.DEFAULT_RULE_NAME or not space:
            return None
        if rules.getPattern(index) == "*":
            return None
        return self.space(space)

    def is_linear(self, name: str) -> bool:
        """Whether the config proves a space linear in scene light."""
        linear = self._config.isColorSpaceLinear(name, ocio.REFERENCE_SPACE_SCENE)
        return bool(linear) and not self._config.getColorSpace(name).isData()

    def encoding(self, name: str) -> str:
        """OpenColorIO's encoding of a space: ``scene-linear``, ``log``, ``sdr-video``..."""
        return str(self._config.getColorSpace(name).getEncoding())

    def guard_plate(self, name: str, *, any_space: bool, key: str) -> str:
        """Canonical name of a space that holds scene light, or that the user insists on.

        Raises:
            ColourError: Unknown, data, or display-referred.
        """
        canonical = self.space(name, key=key)
        if any_space:
            return canonical
        problem = self._not_light(canonical)
        if problem:
            raise ColourError(
                f"'{canonical}' {problem}",
                key=key,
                remedy="name the space the camera recorded, or insist with any_space",
            )
        return canonical

    def _not_light(self, name: str) -> str | None:
        space = self._config.getColorSpace(name)
        encoding = space.getEncoding()
        if space.isData() or encoding == "data":
            return "is data, not light: pulling it would scale whatever the numbers mean"
        if space.getReferenceSpaceType() == ocio.REFERENCE_SPACE_DISPLAY:
            return "is a display's space: the scene's light can no longer be read from it"
        if encoding in ("scene-linear", "log") or self.is_linear(name):
            return None
        if not encoding:
            return "does not say its encoding, so nothing shows that it holds scene light"
        return f"is display-referred (encoding {encoding}), not scene light"

    def guard_working(self, name: str) -> str:
        """Canonical name of a working space.

        Raises:
            ColourError: Unknown, or not scene-linear.
        """
        key = "colour.working"
        if not self._config.getCanonicalName(name):
            linear = ", ".join(repr(item) for item in self.with_encoding("scene-linear"))
            raise ColourError(
                f"config '{self.name}' has no space or role '{name}'",
                key=key,
                remedy=f"its scene-linear spaces are {linear or 'none'}",
            )
        canonical = self.space(name)
        if not self.is_linear(canonical):
            raise ColourError(
                f"'{canonical}' is not scene-linear, so a stop is no factor of two in it",
                key=key,
                remedy="name a scene-linear space, for example "
                + ", ".join(repr(item) for item in list(self.with_encoding("scene-linear"))[:4]),
            )
        return canonical

    @cache  # noqa: B019 - a Colour lives as long as the process
    def convert(self, source: str, result: str) -> Convert | None:
        """In-place float32 conversion between two spaces; None where nothing changes.

        Raises:
            ColourError: A LUT or context variable is missing, or the path does not build.
        """
        if self.space(source) == self.space(result):
            return None
        processor = self._processor(source, result)
        if processor.isNoOp():
            return None
        return applied(processor)

    @cache  # noqa: B019 - a Colour lives as long as the process
    def curve(self, space: str, working: str) -> tuple[Convert, Convert] | None:
        """A space's curve alone, to its own linear primaries and back, where that is proved.

        The way from the space to the working space must be one curve per channel and then
        nothing but matrices without offset. A gain that is the same for all channels commutes
        with those, so a plain pull needs no primaries, and no sample is rounded through them.

        Returns:
            Decoding and encoding in place, or None where the config's transforms do not prove it.
        """
        group = self.curve_steps(space, working)
        if group is None:
            return None
        forward, inverse = ocio.TRANSFORM_DIR_FORWARD, ocio.TRANSFORM_DIR_INVERSE
        return (
            applied(self._config.getProcessor(group, forward)),
            applied(self._config.getProcessor(group, inverse)),
        )

    def curve_steps(self, space: str, working: str) -> ocio.GroupTransform | None:
        """The same curve as the library's own steps, code to light; None where it is not proved."""
        if self.space(space) == self.space(working):
            return None
        steps = list(self._processor(space, working).createGroupTransform())
        matrices = next((i for i, s in enumerate(steps) if not per_channel(s)), len(steps))
        if matrices == 0 or not all(plain_matrix(step) for step in steps[matrices:]):
            return None
        return ocio.GroupTransform(steps[:matrices])

    @cache  # noqa: B019 - a Colour lives as long as the process
    def to_linear(self, space: str, linear: str) -> ToLinear | None:
        """The way from a space to a linear one in two parts, where that is proved.

        Args:
            space: A scene-linear space, or one that is a curve per channel before matrices.
            linear: A scene-linear space.
        """
        if not self.is_linear(linear):
            return None
        if self.is_linear(space):
            return ToLinear(None, self._matrix(space, linear))
        curve = self.curve(space, linear)
        if curve is None:
            return None
        steps = list(self._processor(space, linear).createGroupTransform())
        matrices = ocio.GroupTransform([step for step in steps if not per_channel(step)])
        columns = np.eye(3, dtype=np.float32).reshape(1, 3, 3).copy()
        applied(self._config.getProcessor(matrices, ocio.TRANSFORM_DIR_FORWARD))(columns)
        return ToLinear(curve[0], np.asarray(columns[0].T, np.float64))

    def _processor(self, source: str, result: str) -> ocio.Processor:
        try:
            return self._config.getProcessor(source, result)
        except _OCIO_ERRORS as error:
            raise self._broken_path(source, result, str(error)) from error

    def _broken_path(self, source: str, result: str, message: str) -> ColourError:
        """A missing file may be a context variable that is unset, or set wrong: say which."""
        current = self._config.getCurrentContext()
        values = {name: current.resolveStringVar(f"${{{name}}}") for name in _variables(message)}
        text = ", ".join(
            name if "$" in value else f"{name} (now '{value}')" for name, value in values.items()
        )
        return ColourError(
            f"'{source}' does not convert to '{result}': {_short(message)}",
            file=self.name,
            remedy=_SET.format(text) if text else "correct the config, or point to another one",
        )

    def files(self, source: str, result: str) -> dict[str, str]:
        """Files that a conversion reads, each with its SHA-256."""
        if self.space(source) == self.space(result):
            return {}
        metadata = self._processor(source, result).getProcessorMetadata()
        found = sorted({str(Path(name)) for name in metadata.getFiles()})
        return {
            name: hashlib.sha256(Path(name).read_bytes()).hexdigest()
            for name in found
            if Path(name).is_file()
        }

    def context(self) -> dict[str, str]:
        """Context variables that the config declares or uses and that have a value.

        Those of the environment are among them, so that another machine gets the same ones.
        """
        current = self._config.getCurrentContext()
        names = {*self._config.getEnvironmentVarNames(), *_variables(self._text)}
        values = {name: current.resolveStringVar(f"${{{name}}}") for name in names}
        return {name: value for name, value in sorted(values.items()) if "$" not in value}

    @cache  # noqa: B019 - a Colour lives as long as the process
    def weights(self, working: str) -> tuple[float, float, float]:
        """Luminance weights of a space's own linear primaries for R, G, B; they sum to 1.

        The luminance is that of ACES2065-1 (SMPTE RP 177 over the ST 2065-1 primaries), after
        the config's own adaptation to its white.

        Raises:
            ColourError: The config has no ``aces_interchange`` role to relate the space to.
        """
        try:
            interchange = self.space("aces_interchange")
        except ColourError as error:
            raise ColourError(
                "a lift needs luminance, and the config has no role 'aces_interchange'",
                file=self.name,
                remedy="add the role to the config",
            ) from error
        path = self.to_linear(working, interchange)
        if path is None:
            raise ColourError(f"'{working}' is no light that has a luminance")
        red, green, blue = np.asarray(AP0_TO_Y) @ path.matrix
        total = red + green + blue
        return (float(red / total), float(green / total), float(blue / total))

    def _matrix(self, source: str, result: str) -> npt.NDArray[np.float64]:
        """3 x 3 matrix between two linear spaces: R, G, B of the source as columns."""
        columns = np.eye(3, dtype=np.float32).reshape(1, 3, 3).copy()
        convert = self.convert(source, result)
        if convert is not None:
            convert(columns)
        return np.asarray(columns[0].T, np.float64)

    def chromaticities(self, name: str) -> Chromaticities | None:
        """Published primaries that a linear space has, or None where none of ours match."""
        if not self.is_linear(name):
            return None
        for role in ("aces_interchange", "cie_xyz_d65_interchange"):
            measured = self._primaries(name, role)
            if measured is None:
                continue
            for published in PUBLISHED.values():
                if np.allclose(measured, published, atol=5e-4):
                    return published
        return None

    def _primaries(self, name: str, role: str) -> tuple[float, ...] | None:
        if not self._config.hasRole(role):
            return None
        to_xyz = AP0_TO_XYZ if role == "aces_interchange" else np.eye(3)
        xyz = to_xyz @ self._matrix(name, self.space(role))
        colours = np.column_stack([xyz, xyz.sum(axis=1)])
        sums = colours.sum(axis=0)
        if np.any(np.abs(sums) < 1e-9):
            return None
        return tuple(float(v) for v in (colours[:2] / sums).T.ravel())


def _variables(text: str) -> list[str]:
    """Context variables that a text of the library speaks of."""
    return list(dict.fromkeys(re.findall(r"[$%]\{?([A-Za-z_][A-Za-z0-9_]*)", text)))


def _short(error: object, config: str = "") -> str:
    """The library's message on one line, without what the line around it says already."""
    text = " ".join(str(error).split())
    if config:
        text = text.replace(config, Path(config).name)
        text = re.sub(r"^Error: Loading the OCIO profile '.*?' failed\. ", "", text)
    return text if len(text) <= 240 else text[:237] + "..."
