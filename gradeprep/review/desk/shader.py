"""The way to a screen as GLSL ES 3.0, for a page that draws with WebGL 2, and its tables.

The text is OpenColorIO's own, in a function that is safe against what that does not like: light
beyond the largest half float is taken as that, and where the library gives no number (it does on
exactly black pixels of some views) the next light above black is shown instead.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import PyOpenColorIO as ocio

from gradeprep.errors import ColourError
from gradeprep.review.desk.bench import Bench

__all__ = ["FUNCTION", "Shader", "Texture", "shader"]

FUNCTION = "ocio_view"

_PLAIN = "ocio_plain_view"
_HEAD = """\
precision highp float;
precision highp int;
precision highp sampler2D;
precision highp sampler3D;
"""
_SAFE = f"""
vec4 {FUNCTION}(vec4 light)
{{
  vec4 signal = {_PLAIN}(vec4(clamp(light.rgb, -65504.0, 65504.0), 1.0));
  if (any(isnan(signal.rgb)))
  {{
    vec3 above = max(abs(light.rgb), vec3(1e-6));
    signal = {_PLAIN}(vec4(clamp(above, 0.0, 65504.0), 1.0));
  }}
  return vec4(signal.rgb, light.a);
}}
"""


@dataclass(frozen=True, slots=True)
class Texture:
    """A table that the shader reads.

    Attributes:
        id: Name to ask for its values by.
        sampler: Name of its uniform.
        kind: ``3d``, a cube, or ``1d-as-2d``: a curve laid out in rows.
        width: Columns; entries of a side of a cube.
        height: Rows; the same of a cube.
        depth: Layers of a cube; 1 elsewhere.
        channels: Numbers an entry, 1 or 3.
        linear: Whether entries are interpolated; the nearest one is taken where not.
        values: All numbers, little-endian float32, red running fastest.
    """

    id: str
    sampler: str
    kind: Literal["1d-as-2d", "3d"]
    width: int
    height: int
    depth: int
    channels: int
    linear: bool
    values: bytes

    def as_data(self) -> dict[str, Any]:
        """All but its values, as plain data."""
        return {key: getattr(self, key) for key in self.__slots__ if key != "values"}


@dataclass(frozen=True, slots=True)
class Shader:
    """A view as a shader: the text declares `FUNCTION`, which takes and gives a vec4."""

    glsl: str
    textures: tuple[Texture, ...]

    def as_data(self) -> dict[str, Any]:
        """It as plain data; the values of its tables are asked for one by one."""
        textures = [texture.as_data() for texture in self.textures]
        return {"glsl": self.glsl, "function": FUNCTION, "textures": textures}

    @property
    def bytes(self) -> int:
        """Bytes that it takes."""
        return len(self.glsl) + sum(len(texture.values) for texture in self.textures)


def shader(bench: Bench, display: str, view: str) -> Shader:
    """The shader of a view, from light in the working space, through the show's look.

    Raises:
        ColourError: Unknown, or it does not build.
    """
    transform = bench.transform(display, view)
    try:
        gpu = bench.colour.config.getProcessor(transform).getDefaultGPUProcessor()
        found = ocio.GpuShaderDesc.CreateShaderDesc(
            language=ocio.GPU_LANGUAGE_GLSL_ES_3_0,
            functionName=_PLAIN,
            resourcePrefix="ocio_",
        )
        found.setAllowTexture1D(False)
        gpu.extractGpuShaderInfo(found)
    except (ocio.Exception, ocio.ExceptionMissingFile) as error:
        raise ColourError(
            f"view '{view}' of '{display}' does not build: {' '.join(str(error).split())}",
            file=bench.colour.name,
            remedy="correct the config, or choose another view",
        ) from error
    flat = [_flat(f"t{i}", texture) for i, texture in enumerate(found.getTextures())]
    cubes = [_cube(f"t{len(flat) + i}", cube) for i, cube in enumerate(found.get3DTextures())]
    return Shader(_HEAD + found.getShaderText() + _SAFE, (*flat, *cubes))


def _flat(name: str, texture: Any) -> Texture:
    red = texture.channel == ocio.GpuShaderDesc.TEXTURE_RED_CHANNEL
    return Texture(
        id=name,
        sampler=texture.samplerName,
        kind="1d-as-2d",
        width=texture.width,
        height=texture.height,
        depth=1,
        channels=1 if red else 3,
        linear=texture.interpolation != ocio.INTERP_NEAREST,
        values=_bytes(texture.getValues()),
    )


def _cube(name: str, cube: Any) -> Texture:
    return Texture(
        id=name,
        sampler=cube.samplerName,
        kind="3d",
        width=cube.edgeLen,
        height=cube.edgeLen,
        depth=cube.edgeLen,
        channels=3,
        linear=cube.interpolation != ocio.INTERP_NEAREST,
        values=_bytes(cube.getValues()),
    )


def _bytes(values: Any) -> bytes:
    return np.ascontiguousarray(values, "<f4").tobytes()
