"""The stars of one field as arrays: where they are and how many electrons each gives a sub."""

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from synth import field

if TYPE_CHECKING:
    from synth.scene import Scene

# Share of fields that hold hardly a star.
EMPTY_SHARE = 0.05
# Stars beyond the frame's edge whose light still reaches in, px.
MARGIN_PX = 40
# Stars of a rich field that are drawn, the faintest left out: per frame of 1.57 Mpx, more on larger
# ones.
MOST_STARS, MOST_STARS_PX = 1500, 1536 * 1024


@dataclass(frozen=True)
class StarList:
    """x_px, y_px: (n,) places, centre of the first pixel at 0; flux_e: (n,) electrons in the
    whole sub through the strongest colour plane; colour: (n,) B - V in mag. Brightest first."""

    x_px: np.ndarray
    y_px: np.ndarray
    flux_e: np.ndarray
    colour: np.ndarray


def draw_list(rng: np.random.Generator, scene: "Scene", max_stars: int | None = None) -> StarList:
    """Stars down to a S/N of about 1.5, at a galactic latitude of its own.

    max_stars: the brightest of so many are kept; MOST_STARS for the frame's size if None.
    """
    rig = scene.rig
    if max_stars is None:
        frames = scene.width_px * scene.height_px / MOST_STARS_PX
        max_stars = round(MOST_STARS * max(1.0, frames))
    zero_point_e = rig.zero_point_e_s * scene.exposure_s
    faintest_e = 1.5 * scene.noise_e * 2.5 * max(1.0, scene.good_fwhm_px)
    faintest_mag = 2.5 * np.log10(zero_point_e / faintest_e)
    x_px, y_px, mag, colour = field.draw_stars(
        rng,
        scene.width_px,
        scene.height_px,
        rig.scale_arcsec,
        faintest_mag,
        _density(rng),
        max_stars,
    )
    stars = _sorted(x_px, y_px, zero_point_e * 10 ** (-0.4 * mag), colour)
    if rng.random() < EMPTY_SHARE:
        # A dark cloud in front, or a narrow field at the pole: a handful of stars.
        kept = np.sort(rng.permutation(len(stars.flux_e))[: int(rng.integers(5, 16))])
        return StarList(*(column[kept] for column in _columns(stars)))
    return _enough(rng, stars, scene)


def _density(rng: np.random.Generator) -> float:
    """Star density over the whole-sky mean at a galactic latitude where people point.

    Half of all targets lie within 20 degrees of the Milky Way (common practice), the rest are
    spread evenly over the sky; dark clouds and star clouds scatter by half a magnitude.
    """
    if rng.random() < 0.5:
        latitude_deg = abs(float(rng.normal(0, 10)))
    else:
        latitude_deg = float(np.rad2deg(np.arcsin(rng.random())))
    return field.latitude_factor(latitude_deg) * float(np.exp(rng.normal(0, 0.4)))


def _columns(stars: StarList) -> tuple[np.ndarray, ...]:
    return stars.x_px, stars.y_px, stars.flux_e, stars.colour


def with_cluster(
    rng: np.random.Generator, stars: StarList, scene: "Scene", kind: str, max_stars: int = 700
) -> tuple[StarList, field.Galaxy | None]:
    """The field with an open or globular cluster in it; a globular also glows between its stars.

    Small frames get fewer stars: one per 250 px at most.
    """
    rig = scene.rig
    zero_point_e = rig.zero_point_e_s * scene.exposure_s
    faintest_mag = 2.5 * np.log10(zero_point_e / (4 * scene.noise_e * scene.good_fwhm_px))
    most = min(max_stars, scene.width_px * scene.height_px // 250)
    x, y, mag, colour = field.draw_cluster(
        rng, scene.width_px, scene.height_px, faintest_mag, kind, most
    )
    flux_e = zero_point_e * 10 ** (-0.4 * mag)
    both = _sorted(
        *(
            np.concatenate(pair)
            for pair in zip(_columns(stars), (x, y, flux_e, colour), strict=True)
        )
    )
    if kind != "globular" or len(x) < 3:
        return both, None
    centre_x, centre_y = float(np.median(x)), float(np.median(y))
    half_px = float(np.median(np.hypot(x - centre_x, y - centre_y)))
    # The stars too faint to be drawn give about as much light as those that are.
    mean_e = flux_e.sum() / 2 / (np.pi * half_px**2)
    bright = min(2.0, float(mean_e / scene.sky_e) * float(rng.uniform(0.3, 1.0)))
    glow = field.Galaxy(
        centre_x, centre_y, half_px, 1.2, 1.0, 0.0, bright, 0.0, 0.0, scene.good_fwhm_px
    )
    return both, glow


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


def brightened(stars: StarList, x_px: float, y_px: float, flux_e: float) -> StarList:
    """The same field with the star nearest to a place at least `flux_e` bright.

    Where no star lies within 3 px, as for a place outside the field, nothing changes.
    """
    away = np.hypot(stars.x_px - x_px, stars.y_px - y_px)
    if len(away) == 0 or away.min() > 3:
        return stars
    flux = stars.flux_e.copy()
    nearest = int(away.argmin())
    flux[nearest] = max(flux[nearest], flux_e)
    return _sorted(stars.x_px, stars.y_px, flux, stars.colour)


def dimmed(stars: StarList, factor: float) -> StarList:
    """All stars times `factor`, as for a shorter sub."""
    return replace(stars, flux_e=stars.flux_e * factor)
