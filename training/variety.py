"""Harmless variety of real good frames: other sky light, other noise, other numbers in the file.

A few real frames learnt from again and again would be learnt by heart. `other_light` changes what
falls on a window before faults are put in, so that their strengths are reckoned with the new sky
and noise; `other_file` changes afterwards how the camera writes it all down: a linear change of
the numbers, by which no strength changes, rounded to steps that stay below the noise.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.random import Generator

from classifier.views import PHYSICAL
from classifier.vocabulary import fault
from synth.renoise import add
from synth.rng import log_uniform
from synth.stand_in import Source

_MORE_SKY, _MORE_NOISE, _OTHER_FILE = 0.6, 0.5, 0.6
# Added sky as a multiple of the frame's own, and added noise in its sigma.
_SKY_TIMES = (0.1, 3.0)
_NOISE_TIMES = (0.2, 1.0)
# Depths of cameras and files in use (common practice).
_BITS = (8, 10, 12, 14, 16)
# Sigma of an empty pixel in steps of the file: rounding to steps of 2 sigma adds 15 % of noise
# (a step's own sigma is 1 / sqrt(12)).
_NOISE_STEPS = (0.5, 40.0)
_LEAST_READ_STEPS = 0.4
# At most this share of the file's range is sky, so that stars and bright skies have room.
_SKY_SHARE = 0.3


@dataclass(frozen=True)
class Light:
    """How windows of one run are lit. sky: added, as a multiple of the frame's own; noise: added
    read noise, in sigmas of the frame's own."""

    sky: float = 0.0
    noise: float = 0.0


def draw_light(rng: Generator) -> Light:
    return Light(
        log_uniform(rng, *_SKY_TIMES) if rng.random() < _MORE_SKY else 0.0,
        log_uniform(rng, *_NOISE_TIMES) if rng.random() < _MORE_NOISE else 0.0,
    )


def other_light(source: Source, light: Light, rng: Generator) -> Source:
    """The window under more sky, with its photons' noise, and read with more noise."""
    if light == Light():
        return source
    height, width = source.pixels.shape
    flat = np.tile(source.plane_sky(), (-(-height // 2), -(-width // 2)))[:height, :width]
    more_e = add(np.zeros((height, width)), light.sky * source.sky_e * flat, rng)
    noise_e = min(light.noise * source.noise_adu * source.gain, _most_noise_e(source, light.sky))
    more_e += noise_e * rng.standard_normal((height, width))
    adu = source.pixels + more_e / source.gain
    if source.step_adu:
        adu = np.round(adu)
    adu = np.minimum(adu, _top(source))
    known = source.read_noise_e
    read_e = None if known is None else float(np.hypot(known, noise_e))
    return replace(source, pixels=adu.astype(np.float32), read_noise_e=read_e)


def _most_noise_e(source: Source, sky: float) -> float:
    """Read noise that leaves a good frame good: well above the signal that counts as clean."""
    if not (source.knows_sky and source.read_noise_e):
        return np.inf
    sky_e = source.sky_e * (1 + sky)
    most = sky_e / (1.2 * fault("low_signal").clean_below) - source.read_noise_e**2
    return float(max(most, 0.0) ** 0.5)


def _top(source: Source) -> float:
    """The highest number that the file can hold, as far as is known."""
    highest = float(source.pixels.max())
    if source.saturation_adu is not None:
        return max(source.saturation_adu, highest)
    return max(highest, 65535.0) if source.step_adu else np.inf


def other_file(
    pixels: np.ndarray, source: Source, physical: np.ndarray, rng: Generator
) -> tuple[np.ndarray, np.ndarray]:
    """A run's pixels (N, H, W) and facts (len(PHYSICAL),) as another camera would have written
    them: other gain, offset and depth. source: the run's clean window."""
    if rng.random() >= _OTHER_FILE:
        return pixels, physical
    sky_adu = max(source.sky_adu, 0.0)
    for bits in rng.permutation(_BITS):
        top = 2.0 ** int(bits) - 1
        offset = top * rng.uniform(0.005, 0.05)
        times = log_uniform(rng, *_NOISE_STEPS) / source.noise_adu
        times = min(times, (_SKY_SHARE * top - offset) / max(sky_adu, 1e-9))
        # Noise must not be lost in the steps, not even read noise alone, nor cut off below.
        read_steps = times * source.read_e / source.gain
        if read_steps >= _LEAST_READ_STEPS and offset >= 3 * times * source.noise_adu:
            break
    else:
        return pixels, physical
    written = np.round((pixels - source.zero_adu) * times + offset).clip(0, top)
    facts = dict(zip(PHYSICAL, physical.copy(), strict=True))
    facts["gain_e_adu"] /= times
    facts["offset_adu"] = (facts["offset_adu"] - source.zero_adu) * times + offset
    full = (facts["saturation_adu"] - source.zero_adu) * times + offset
    facts["saturation_adu"] = full if np.isnan(full) else min(full, top)
    return written.astype(np.float32), np.array([facts[name] for name in PHYSICAL], np.float32)
