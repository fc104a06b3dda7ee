"""One small telescope and even frames of it, for tests that follow light through the generator.

100 mm, 530 mm, efficiency 0.5, 100 nm at 550 nm, 3.76 um pixels; nothing but sky and given stars.
"""

from collections.abc import Sequence
from typing import Any

import numpy as np

from synth import catalogue
from synth.expose import expected_electrons
from synth.plan import plan
from synth.rig import Camera, Rig, Telescope
from synth.scene import Scene

SIDE = 192


def camera(**changes: Any) -> Camera:
    values: dict[str, Any] = {
        "pixel_um": 3.76,
        "gain_e_adu": 0.5,
        "read_noise_e": 1.5,
        "offset_adu": 400.0,
        "full_well_e": 30_000.0,
        "bits": 16,
        "cfa": None,
        "dark_e_s": 0.0,
        "quantum_efficiency": 0.625,
        "blooms": False,
    }
    return Camera(**(values | changes))


def rig(**changes: Any) -> Rig:
    values: dict[str, Any] = {
        "telescope": Telescope(100.0, 530.0, 0.0, 0, 1.0, 0.0, throughput=0.8),
        "camera": camera(),
        "seeing_arcsec": 3.0,
        "tracking_rms_arcsec": 0.3,
        "sky_mag": 21.0,
        "band_nm": 100.0,
        "wavelength_nm": 550.0,
        "filter": "V",
    }
    return Rig(**(values | changes))


def scene(stars: Sequence[tuple[float, float, float]] = (), **changes: Any) -> Scene:
    """A frame of an even sky and stars (x, y, magnitude), 60 s, no defects but cosmic rays."""
    mine = changes.pop("rig", None) or rig()
    values: dict[str, Any] = {
        "exposure_s": 60.0,
        "sky_mag": 21.0,
        "hot_share": 0.0,
        "field_seed": 3,
        "width_px": SIDE,
        "height_px": SIDE,
    } | changes
    x, y, mag = np.array(list(stars), float).reshape(-1, 3).T
    flux = mine.zero_point_e_s * values["exposure_s"] * 10 ** (-0.4 * mag)
    order = np.argsort(-flux)
    listed = catalogue.StarList(x[order], y[order], flux[order], np.full(len(x), 0.7))
    return Scene(rig=mine, stars=listed, **values)


def expected(*scenes: Scene) -> np.ndarray:
    """(B, SIDE, SIDE) float64 electrons before any noise."""
    return expected_electrons(plan(list(scenes))).double().numpy()
