"""Four invented rigs that the atlas shows every fault on, each before one clean field.

They differ in what changes a fault's look: sampling, obstruction and vanes, focal ratio, colour
mosaic. Unlike the sampler's rigs they are fixed, so that two atlases can be laid side by side.
"""

from dataclasses import dataclass, replace

import numpy as np

from synth import catalogue, shading, sky
from synth import field as starfield
from synth.optics import TERMS
from synth.rig import Camera, Rig, Telescope
from synth.rng import stream
from synth.scene import Scene


@dataclass(frozen=True)
class Specimen:
    """A rig with its sub length, as the atlas names it."""

    title: str
    rig: Rig
    exposure_s: float
    plane_response: tuple[float, float, float, float] = (1.0, 1.0, 1.0, 1.0)


def _camera(cfa: str | None, binning: int = 1) -> Camera:
    return Camera(
        pixel_um=3.76,
        gain_e_adu=0.8,
        read_noise_e=1.7,
        offset_adu=500.0,
        full_well_e=50_000.0,
        bits=16,
        cfa=cfa,
        dark_e_s=0.002,
        quantum_efficiency=0.75,
        blooms=False,
        binning=binning,
    )


def _rig(telescope: Telescope, camera: Camera, seeing_arcsec: float, sky_mag: float) -> Rig:
    return Rig(
        telescope=telescope,
        camera=camera,
        seeing_arcsec=seeing_arcsec,
        tracking_rms_arcsec=0.5,
        sky_mag=sky_mag,
        band_nm=280.0,
        wavelength_nm=550.0,
        filter="L",
    )


_COLOUR = (0.8, 1.0, 1.0, 0.85)  # of the four places of an RGGB mosaic

SPECIMENS: tuple[Specimen, ...] = (
    Specimen(
        "refractor 80 mm f/6, mono",
        _rig(Telescope(80, 480, 0.0, 0, 1.0, 0.0, 0.88), _camera(None), 2.8, 20.2),
        120.0,
    ),
    Specimen(
        "mirror 200 mm f/4 with four vanes, colour",
        _rig(Telescope(200, 800, 0.32, 4, 1.2, 12.0, 0.8), _camera("RGGB"), 2.6, 19.8),
        90.0,
        _COLOUR,
    ),
    Specimen(
        "obstructed 235 mm f/7 with a corrector plate, mono, 2 x 2",
        _rig(Telescope(235, 1650, 0.36, 0, 1.0, 0.0, 0.78), _camera(None, 2), 2.4, 20.6),
        120.0,
    ),
    Specimen(
        "camera lens 135 mm f/2.8, colour",
        _rig(Telescope(48, 135, 0.0, 0, 1.0, 0.0, 0.85), _camera("RGGB"), 3.0, 20.8),
        60.0,
        _COLOUR,
    ),
)


def clean_scene(specimen: Specimen, number: int, seed: int, width_px: int, height_px: int) -> Scene:
    """The field that all panels of a rig show."""
    rng = stream(seed, "atlas", number)
    rig, size = specimen.rig, (width_px, height_px)
    waves = tuple(float(x) for x in rng.normal(0, 0.015, len(TERMS)))
    scene = Scene(
        rig=rig,
        width_px=width_px,
        height_px=height_px,
        exposure_s=specimen.exposure_s,
        sky_mag=rig.sky_mag,
        field_seed=int(rng.integers(2**31)),
        waves=waves,
        good_waves=waves,
        halo_share=0.015,
        good_halo_share=0.015,
        vignetting=shading.draw_vignetting(rng, 5.0, *size),
        gradient=sky.draw_gradient(rng, 2.0, *size),
        nebula=starfield.draw_nebula(rng, *size, peak=0.12, kind="cloudy"),
        hot_share=2e-6,
        plane_response=specimen.plane_response,
    )
    scene = replace(scene, hot_e=60 * scene.noise_e)
    stars = catalogue.draw_list(stream(seed, "atlas field", number), scene, max_stars=900)
    # A clear star near the middle, unsaturated, for the close-up.
    flux_e = min(0.3 * rig.camera.full_well_e * scene.good_fwhm_px**2, 600 * scene.noise_e * 4)
    x, y = 0.47 * width_px, 0.52 * height_px
    away = np.hypot(stars.x_px - x, stars.y_px - y)
    kept = away > 14
    return replace(
        scene,
        stars=catalogue.StarList(
            *_sorted(
                np.append(stars.x_px[kept], x),
                np.append(stars.y_px[kept], y),
                np.append(stars.flux_e[kept], flux_e),
                np.append(stars.colour[kept], 0.7),
            )
        ),
    )


def _sorted(
    x: np.ndarray, y: np.ndarray, flux: np.ndarray, colour: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Brightest first, as star lists are kept."""
    order = np.argsort(-flux)
    return x[order], y[order], flux[order], colour[order]
