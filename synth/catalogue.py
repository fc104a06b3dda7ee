"""The stars of one field as arrays: where they are and how many electrons each gives a sub."""

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from synth import field
from synth.rng import log_uniform

if TYPE_CHECKING:
    from synth.scene import Scene

# Stars beyond the frame's edge whose light still reaches in, px.
MARGIN_PX = 40


@dataclass(frozen=True)
class StarList:
    """x_px, y_px: (n,) places, centre of the first pixel at 0; flux_e: (n,) electrons in the
    whole sub through the strongest colour plane; colour: (n,) B - V in mag. Brightest first."""

    x_px: np.ndarray
    y_px: np.ndarray
    flux_e: np.ndarray
    colour: np.ndarray


def draw_list(rng: np.random.Generator, scene: "Scene", max_stars: int = 1500) -> StarList:
    """Stars down to a S/N of about 1.5, at a galactic latitude of its own."""
    rig = scene.rig
    zero_point_e = rig.zero_point_e_s * scene.exposure_s
    faintest_e = 1.5 * scene.noise_e * 2.5 * max(1.0, scene.good_fwhm_px)
    faintest_mag = 2.5 * np.log10(zero_point_e / faintest_e)
    x_px, y_px, mag, colour = field.draw_stars(
        rng,
        scene.width_px,
        scene.height_px,
        rig.scale_arcsec,
        faintest_mag,
        log_uniform(rng, 0.25, 6.0),
        max_stars,
    )
    flux_e = zero_point_e * 10 ** (-0.4 * mag)
    order = np.argsort(-flux_e)
    stars = StarList(x_px[order], y_px[order], flux_e[order], colour[order])
    return _enough(rng, stars, scene)


def _enough(rng: np.random.Generator, stars: StarList, scene: "Scene") -> StarList:
    """A small or narrow field with hardly a star is rare at the telescope: fill it up to 15.

    Subs are as often cropped sensors as whole ones here, and fields are chosen, not drawn.
    """
    missing = 15 - int((stars.flux_e > 15 * scene.noise_e * scene.good_fwhm_px).sum())
    if missing <= 0 or rng.random() < 0.1:
        return stars
    faint = 15 * scene.noise_e * scene.good_fwhm_px
    flux = faint * rng.pareto(0.9, missing).clip(0, 3000) + faint
    return _sorted(
        np.concatenate((stars.x_px, rng.uniform(0, scene.width_px, missing))),
        np.concatenate((stars.y_px, rng.uniform(0, scene.height_px, missing))),
        np.concatenate((stars.flux_e, flux)),
        np.concatenate((stars.colour, rng.normal(0.7, 0.35, missing))),
    )


def _sorted(x: np.ndarray, y: np.ndarray, flux: np.ndarray, colour: np.ndarray) -> StarList:
    order = np.argsort(-flux)
    return StarList(x[order], y[order], flux[order], colour[order])


def with_bright_star(
    rng: np.random.Generator, stars: StarList, flux_e: float, width_px: int, height_px: int
) -> StarList:
    """The same field with its brightest star at least `flux_e` bright."""
    if len(stars.flux_e) and stars.flux_e[0] >= flux_e:
        return stars
    return _sorted(
        np.append(stars.x_px, rng.uniform(0.1, 0.9) * width_px),
        np.append(stars.y_px, rng.uniform(0.1, 0.9) * height_px),
        np.append(stars.flux_e, flux_e),
        np.append(stars.colour, rng.normal(0.6, 0.4)),
    )


def dimmed(stars: StarList, factor: float) -> StarList:
    """All stars times `factor`, as for a shorter sub."""
    return replace(stars, flux_e=stars.flux_e * factor)
