"""A good frame of known light for the tests of grafting: electrons, and the file made of them."""

from dataclasses import replace

import numpy as np

from synth.scene import Scene
from synth.stand_in import Source, stand_in

READ_E, GAIN, OFFSET = 4.0, 1.5, 300.0
SIDE = 512


def noisy(expected_e: np.ndarray, seed: int = 1) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return rng.poisson(expected_e) + rng.normal(0, READ_E, expected_e.shape)


def star_field(seed: int = 1, size: tuple[int, int] = (240, 320)) -> np.ndarray:
    """Expected electrons: a sky of 200 and forty Gaussian stars of FWHM 3 px."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[: size[0], : size[1]]
    light = np.full(size, 200.0)
    for _ in range(40):
        cx, cy, flux = rng.uniform(0, size[1]), rng.uniform(0, size[0]), 2e3 + 3e3 * rng.pareto(1.0)
        light += min(flux, 1e6) / 10.2 * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / 3.25)
    return light


def as_source(electrons: np.ndarray, cfa: str | None = None, **facts) -> Source:
    pixels = np.round(electrons / GAIN + OFFSET).clip(0, 65535).astype(np.float32)
    known = {
        "fwhm_px": 3.0,
        "gain_e_adu": GAIN,
        "read_noise_e": READ_E,
        "offset_adu": OFFSET,
        "saturation_adu": 65535.0,
        "scale_arcsec": 1.5,
        "focal_ratio": 6.0,
    }
    return Source(pixels, cfa=cfa, **(known | facts))


def scene_of(source: Source, obstruction: float) -> Scene:
    """The frame's stand-in with an obstruction of this share of the aperture."""
    scene = stand_in(source, source.electrons(), np.random.default_rng(1))
    telescope = replace(scene.rig.telescope, obstruction=obstruction)
    return replace(scene, rig=replace(scene.rig, telescope=telescope))
