"""A physical sensor: light becomes electrons, electrons become code values, noise included.

The model is the linear camera model of EMVA Standard 1288: photons arrive as a Poisson
process, the read-out adds Gaussian noise, the converter rounds and clips at the full well.
Three channels share one kind of photosite; neutral light fills them unequally, and white
balance gains even that out afterwards, so that the channels clip at different levels.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from gradeprep.model.stops import gain

__all__ = ["CAMERA", "Picture", "Sensor"]

Picture = npt.NDArray[np.float32]
"""Scene-linear RGB, H x W x 3, AP1 primaries; 0.18 is grey at normal exposure."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sensor:
    """One sensor at one exposure index.

    Attributes:
        full_well: Electrons that a photosite holds; they meet the converter's top code.
        read_noise: Standard deviation of the read-out, in electrons.
        bits: Depth of the converter.
        black_level: Code value of darkness; below it lives the lower half of the noise.
        base: Electrons of the most sensitive channel at scene-linear 1.0, normal exposure.
        balance: White balance gains of red, green and blue, the smallest being 1.
    """

    full_well: float = 30_000.0
    read_noise: float = 3.0
    bits: int = 14
    black_level: int = 512
    base: float = 2_500.0
    balance: tuple[float, float, float] = (1.8, 1.0, 1.4)

    @property
    def codes_per_electron(self) -> float:
        """System gain K of EMVA Standard 1288."""
        return (self.top_code - self.black_level) / self.full_well

    @property
    def top_code(self) -> int:
        """The converter's largest code value."""
        return (1 << self.bits) - 1

    @property
    def electrons_per_unit(self) -> tuple[float, float, float]:
        """Electrons a channel collects at scene-linear 1.0 and normal exposure."""
        red, green, blue = (self.base / balance for balance in self.balance)
        return red, green, blue

    @property
    def ceiling(self) -> tuple[float, float, float]:
        """Recorded scene-linear value at which each channel clips, at any exposure."""
        red, green, blue = (self.full_well / per_unit for per_unit in self.electrons_per_unit)
        return red, green, blue

    def snr(self, electrons: float) -> float:
        """Signal to noise ratio of a flat patch, below the clip.

        ``SNR(mu) = mu / sqrt(mu + sigma_d**2 + 1 / (12 * K**2))``: shot noise, read noise
        and the rounding of the converter (EMVA Standard 1288, linear camera model).

        >>> round(Sensor(read_noise=3.0).snr(100.0), 1)
        9.6
        """
        quantization = 1.0 / (12.0 * self.codes_per_electron**2)
        noise: float = np.sqrt(electrons + self.read_noise**2 + quantization)
        return float(electrons / noise)

    def digitize(self, electrons: Picture, *, seed: int | Sequence[int]) -> Picture:
        """Code values, whole numbers in float32, of mean electrons of the same shape."""
        dice = np.random.Generator(np.random.PCG64(seed))
        caught = dice.poisson(electrons).astype(np.float32)
        caught += np.float32(self.read_noise) * dice.standard_normal(caught.shape, np.float32)
        caught *= np.float32(self.codes_per_electron)
        caught += np.float32(self.black_level)
        np.rint(caught, out=caught)
        return np.clip(caught, 0.0, self.top_code, out=caught)

    def expose(self, scene: Picture, *, stops: float, seed: int | Sequence[int]) -> Picture:
        """The scene as this camera records it.

        Args:
            scene: H x W x 3 float32, scene-linear at normal exposure, nowhere negative.
            stops: How much hotter than normal the camera is set.
            seed: Seed of the frame's noise (PCG64): equal seeds give equal pictures.

        Returns:
            H x W x 3 float32, scene-linear: ``2**stops`` brighter than the scene, clipped at
            ``ceiling``, with noise that goes below zero around black.
        """
        per_unit = np.asarray(self.electrons_per_unit, np.float32)
        record = self.digitize(scene * (per_unit * np.float32(gain(stops))), seed=seed)
        record -= np.float32(self.black_level)
        record *= 1.0 / (np.float32(self.codes_per_electron) * per_unit)
        return record


CAMERA = Sensor()
"""The invented camera of the film: it clips a little over six stops above grey in green."""
