"""Subs, a master dark and a master flat of one rendered rig, as FITS files for tests.

The rig is that of `frame_of_one_rig`; what the masters must take away is known: hot pixels from
`synth.defects`, vignetting and dust from `synth.shading`, amplifier glow from `synth.sky`.
"""

from dataclasses import replace
from pathlib import Path
from typing import Any

import frame_of_one_rig as one
import numpy as np
import torch
from astropy.io import fits

from synth import shading, sky
from synth.defects import cosmic_rays, hot_pixels
from synth.expose import expected_electrons
from synth.plan import Plan
from synth.scene import Scene
from synth.starlight import plan_stars

HIGH, WIDE = 384, 512
OFFSET, GAIN, READ_NOISE = 400.0, 0.5, 1.5
MOTE = shading.Mote(180.0, 150.0, 26.0, 8.0, 0.0, 0.0, 7.5, 1.0)
GLOW = sky.AmpGlow(float(WIDE - 1), 0.0, 180.0, 300.0, 0.0, 8.0, 0.0)
CARDS = {
    "EXPTIME": 60.0,
    "EGAIN": GAIN,
    "RDNOISE": READ_NOISE,
    "BLKLEVEL": (OFFSET, "[ADU] level without light"),
    "FILTER": "V",
    "OBJECT": "Test Field",
    "CCD-TEMP": -10.0,
    "GAIN": 100,
}


def scene(**changes: Any) -> Scene:
    """The rig before an empty, even sky of some 430 electrons; hot pixels, shade and dust."""
    values: dict[str, Any] = {
        "width_px": WIDE,
        "height_px": HIGH,
        "sky_mag": 17.5,
        "hot_share": 0.004,
        "hot_e": 3000.0,
        "vignetting": shading.Vignetting((WIDE - 1) / 2, (HIGH - 1) / 2, 0.0, 1.25, 0.0030),
        "dust": shading.DustMotes((MOTE,)),
        "field_seed": 11,
    } | changes
    stars = values.pop("stars", ())
    return one.scene(stars, **values)


def expected(each: Scene) -> np.ndarray:
    """(H, W) float64 electrons before any noise, dark current and hot pixels included."""
    defects = [draw(each) for draw in (hot_pixels, cosmic_rays)]
    places = np.concatenate([place for place, _ in defects]).astype(np.int64)
    electrons = np.concatenate([charge for _, charge in defects]).astype(np.float32)
    # Without the labels' truth, which nobody asks for here.
    drawn = Plan([each], plan_stars([each]), None, places, electrons)  # type: ignore[arg-type]
    return expected_electrons(drawn)[0].double().numpy()


def exposed(each: Scene, rng: np.random.Generator, frames: int = 1) -> np.ndarray:
    """(H, W) ADU of the mean of some exposures; whole numbers for one. Other cosmic rays each."""
    total = np.zeros((HIGH, WIDE))
    for _ in range(frames):
        moved = replace(each, shift_px=(float(rng.uniform(-9, 9)), float(rng.uniform(-9, 9))))
        electrons = rng.poisson(np.maximum(expected(moved), 0)).astype(float)
        electrons += rng.normal(0, READ_NOISE, electrons.shape)
        total += np.clip(np.rint(electrons / GAIN + OFFSET), 0, 65_535)
    return total / frames


def write(path: Path, pixels: np.ndarray, kind: str, **cards: Any) -> Path:
    is_whole = not np.mod(pixels, 1).any()
    hdu = fits.PrimaryHDU(pixels.astype(np.uint16 if is_whole else np.float32))
    for key, value in {**CARDS, "IMAGETYP": kind, **cards}.items():
        hdu.header[key] = value
    hdu.writeto(path)
    return path


def dark_scene(**changes: Any) -> Scene:
    """As the subs, cap on."""
    return scene(**{"sky_mag": 60.0, "vignetting": None, "dust": None} | changes)


def flat_scene(**changes: Any) -> Scene:
    """As the subs, before an even light of some 20,000 electrons and hardly any time for the
    dark current."""
    return scene(**{"sky_mag": 13.35, "hot_share": 0.0} | changes)


def stars(rng: np.random.Generator, count: int = 60) -> list[tuple[float, float, float]]:
    """x, y, magnitude of stars that none hides the mote."""
    places: list[tuple[float, float, float]] = []
    while len(places) < count:
        x, y = rng.uniform(8, WIDE - 8), rng.uniform(8, HIGH - 8)
        if np.hypot(x - MOTE.x_px, y - MOTE.y_px) > 60:
            places.append((float(x), float(y), float(rng.uniform(10.5, 14.5))))
    return places


torch.set_num_threads(1)
