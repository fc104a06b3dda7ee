"""A night for `nightcull demo`: one invented rig and target, 24 subs, trouble as it happens.

A refractor on a terrace, a mono camera, one filter, 90 s a sub. A satellite and an aircraft
cross, thin cloud drifts through, somebody walks on the terrace, the guider loses its star, a
neighbour's lamp comes on, the focus creeps as the tube cools until it is set again, and at the
end dew grows on the lens. The truth is written beside the subs, so that everybody can see what
the labels should have been.
"""

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from synth import catalogue, shading, sky
from synth import field as starfield
from synth.files import write_sub, write_truth
from synth.generate import apply, render_scenes
from synth.optics import TERMS
from synth.rig import Camera, Rig, Telescope
from synth.rng import stream
from synth.scene import Scene

WIDTH_PX, HEIGHT_PX = 1536, 1024
EXPOSURE_S, PAUSE_S = 90.0, 9.0
BEGIN = datetime(2026, 3, 14, 20, 52, 10, tzinfo=UTC)
TARGET = "Lantern Field"

RIG = Rig(
    telescope=Telescope(
        aperture_mm=92.0,
        focal_mm=552.0,
        obstruction=0.0,
        vanes=0,
        vane_mm=1.0,
        vane_angle_deg=0.0,
        throughput=0.85,
    ),
    camera=Camera(
        pixel_um=3.8,
        gain_e_adu=0.78,
        read_noise_e=1.8,
        offset_adu=500.0,
        full_well_e=50_000.0,
        bits=16,
        cfa=None,
        dark_e_s=0.002,
        quantum_efficiency=0.78,
        blooms=False,
    ),
    seeing_arcsec=3.0,
    tracking_rms_arcsec=0.6,
    sky_mag=19.6,
    band_nm=280.0,
    wavelength_nm=550.0,
    filter="L",
)

# What happens, sub by sub: faults with their strengths in the vocabulary's units.
NIGHT: tuple[dict[str, float], ...] = (
    {},
    {},
    {},
    {"trail": 900.0},
    {},
    {},
    {"clouds": 0.45},
    {"clouds": 1.1},
    {"clouds": 0.6},
    {},
    {"vibration": 1.9},
    {},
    {"guiding_loss": 4.0},
    {},
    {"gradient": 60.0},
    {},
    {"defocus": 2.6},
    {"defocus": 3.6},
    {},
    {"trail": 250.0},
    {"drift": 1.9},
    {},
    {"bloated_stars": 1.8},
    {"bloated_stars": 2.4},
)

Report = Callable[[int, int, str], None]


def render_demo_night(
    folder: Path, frames: int = len(NIGHT), seed: int = 1, progress: Report = lambda *_: None
) -> list[Path]:
    """Render the night into a new folder; returns the subs in order of time.

    Another number of frames stretches or thins the same course of events. The truth goes to
    `truth.csv` beside the subs.
    """
    folder.mkdir(parents=True, exist_ok=True)
    base = _first_scene(seed)
    paths, rows = [], []
    for i in range(frames):
        scene = _later(base, stream(seed, "demo", i), NIGHT[i * len(NIGHT) // frames])
        batch = render_scenes([scene], seed, i)
        begin = BEGIN + timedelta(seconds=i * (EXPOSURE_S + PAUSE_S))
        path = folder / f"lantern_{i + 1:03}.fits"
        rows.append(write_sub(path, batch, 0, seed=seed, index=i, target=TARGET, time_utc=begin))
        paths.append(path)
        progress(i + 1, frames, path.name)
    write_truth(folder, rows)
    return paths


def _first_scene(seed: int) -> Scene:
    rng = stream(seed, "demo")
    size = (WIDTH_PX, HEIGHT_PX)
    waves = tuple(float(x) for x in rng.normal(0, 0.01, len(TERMS)))
    base = Scene(
        rig=RIG,
        width_px=WIDTH_PX,
        height_px=HEIGHT_PX,
        exposure_s=EXPOSURE_S,
        sky_mag=RIG.sky_mag,
        field_seed=int(rng.integers(2**31)),
        waves=waves,
        good_waves=waves,
        halo_share=0.02,
        good_halo_share=0.02,
        vignetting=shading.draw_vignetting(rng, 6.0, *size),
        gradient=sky.draw_gradient(rng, 2.0, *size),
        nebula=starfield.draw_nebula(rng, *size),
        hot_share=2e-6,
    )
    base = replace(base, hot_e=base.noise_e * 60)
    return replace(base, stars=catalogue.draw_list(stream(seed, "demo field"), base))


def _later(base: Scene, rng: np.random.Generator, faults: dict[str, float]) -> Scene:
    """The field some minutes later: dithered, the seeing and the sky a little different."""
    scene = replace(
        base,
        shift_px=(float(rng.uniform(-10, 10)), float(rng.uniform(-10, 10))),
        seeing_factor=float(np.exp(rng.normal(0, 0.03))),
        sky_mag=base.sky_mag + float(rng.normal(0, 0.02)),
    )
    return apply(scene, list(faults), rng, faults)
