"""The air and the lights of one run: altitude, extinction, Moon, twilight, town.

    air = draw_air(rng, rig, width_px, height_px)

The sky's level and its slope across the field come from published models (`photometry`): the dark
sky brightens and stars fade towards the horizon, moonlight rises towards the Moon. In a small
field the slope is slight, in a wide one it can be a gradient that counts; `gradient_pct` says.
"""

from dataclasses import dataclass
from math import hypot

import numpy as np

from synth import photometry, sky
from synth.rig import Rig
from synth.rng import log_uniform

# Extinction at the zenith, mag: clear mountain air to a hazy town (common practice).
K_MAG = (0.12, 0.35)
LARGEST_PCT = 100.0
# Decks of cloud, from stratus to cirrus (common practice): height and size of the largest
# structures in metres, wind in metres a second, scatter of the optical depth over its mean.
DECK_M = (1_000.0, 11_000.0)
OUTER_M = (300.0, 10_000.0)
WIND_M_S = (3.0, 30.0)
DECK_SCATTER = (0.2, 1.0)
# Of edges of banks and of scud near the ground, whatever the field.
EDGES = (0.08, 0.8)


@dataclass(frozen=True)
class Air:
    """What the air does to one run. Angles in degrees, sky in mag per square arcsecond."""

    zenith_deg: float
    airmass: float
    extinction_mag: float
    sky_mag: float
    moon_phase_deg: float | None  # None: below the horizon
    moon_separation_deg: float | None
    gradient: sky.Gradient
    gradient_pct: float


def field_diagonal_deg(rig: Rig, width_px: int, height_px: int) -> float:
    """Angle from corner to corner of the frame."""
    return hypot(width_px, height_px) * rig.scale_arcsec / 3600.0


def draw_air(rng: np.random.Generator, rig: Rig, width_px: int, height_px: int) -> Air:
    """Altitude, Moon and sky of a run whose moonless zenith has the sky of `rig`."""
    zenith = float(np.rad2deg(np.arccos(rng.uniform(0.42, 1.0))))  # down to 25 deg over the horizon
    k_mag = log_uniform(rng, *K_MAG)
    airmass = photometry.airmass_kasten_young(zenith)
    moon_zenith = float(rng.uniform(8.0, 85.0))
    apart = photometry.separation_deg(zenith, 0.0, moon_zenith, float(rng.uniform(0, 180)))
    phase = float(rng.uniform(0, 150)) if rng.random() < 0.4 and apart > 12 else None

    level = photometry.nanolambert(rig.sky_mag)
    dark = photometry.dark_sky_nl(level, zenith, k_mag)
    ahead = photometry.dark_sky_nl(level, min(zenith + 1.0, 85.0), k_mag)
    slopes = [100.0 * (ahead / dark - 1.0)]  # % per degree
    total = dark
    if phase is not None:
        moon = photometry.moonlight_nl(phase, apart, zenith, moon_zenith, k_mag)
        total = dark + moon
        towards = photometry.moon_slope_pct_deg(
            photometry.v_mag_of(dark), phase, apart, zenith, moon_zenith, k_mag
        )
        slopes = [slopes[0] * dark / total, towards]
    if rng.random() < 0.05:
        twilight = photometry.nanolambert(photometry.twilight_mag(float(rng.uniform(10, 15))))
        slopes = [slope * total / (total + twilight) for slope in slopes]
        # Twilight is brighter towards the Sun by some per cent a degree (common practice).
        slopes.append(float(rng.uniform(0.5, 3.0)) * twilight / (total + twilight))
        total += twilight
    gradient, pct = _slope(rng, slopes, rig, width_px, height_px)
    return Air(
        zenith_deg=zenith,
        airmass=airmass,
        extinction_mag=photometry.extinguished_mag(0.0, k_mag, airmass),
        sky_mag=photometry.v_mag_of(total),
        moon_phase_deg=phase,
        moon_separation_deg=apart if phase is not None else None,
        gradient=gradient,
        gradient_pct=pct,
    )


def cloud_unevenness(
    rng: np.random.Generator, rig: Rig, width_px: int, height_px: int, exposure_s: float
) -> float:
    """Scatter of a cloud's loss over a field, as a share of its mean, after one exposure."""
    if rng.random() < 0.4:
        return log_uniform(rng, *EDGES)
    return deck_unevenness(rng, field_diagonal_deg(rig, width_px, height_px), exposure_s)


def deck_unevenness(rng: np.random.Generator, diagonal_deg: float, exposure_s: float) -> float:
    """The same within a deck of cloud, away from its edges."""
    frame_m = log_uniform(rng, *DECK_M) * float(np.deg2rad(diagonal_deg))
    outer_m = log_uniform(rng, *OUTER_M)
    blown_m = log_uniform(rng, *WIND_M_S) * exposure_s
    return log_uniform(rng, *DECK_SCATTER) * scatter_seen(frame_m, outer_m, blown_m)


def scatter_seen(frame_m: float, outer_m: float, blown_m: float) -> float:
    """Share of a deck's scatter that a frame sees, of structures up to `outer_m` (von Karman's
    spectrum) that the wind carries on by `blown_m` in the exposure.

    A field of a degree is some hundred metres of a cloud whose structures measure kilometres,
    and these are drawn out over more in a minute: a thin cloud then dims all stars alike, with
    hardly any texture. Fitted to fields of that spectrum, to a quarter of the share.
    """
    size_m = min(frame_m, outer_m)
    part = size_m / outer_m
    still = 5.3 * part**1.5
    blurred = 1 + (0.4 + 3 * part) * blown_m / size_m
    return float(np.sqrt(still / (1 + still) / blurred))


def _slope(
    rng: np.random.Generator, slopes_pct_deg: list[float], rig: Rig, width_px: int, height_px: int
) -> tuple[sky.Gradient, float]:
    """The field's own unevenness and its size in % of the sky, peak to peak."""
    # Each slope has a direction of its own on the sky.
    angles = rng.uniform(0, 2 * np.pi, len(slopes_pct_deg))
    slope = np.abs(np.sum(np.array(slopes_pct_deg) * np.exp(1j * angles)))
    pct = float(slope * field_diagonal_deg(rig, width_px, height_px))
    # Flare in the tube, haze, far towns: always a little, and often more than a little.
    local = float(rng.uniform(0.5, 7.0)) if rng.random() < 0.5 else log_uniform(rng, 0.3, 5.0)
    pct = min(LARGEST_PCT, max(pct, local))
    if pct == local and rng.random() < 0.4:
        return sky.draw_airglow(rng, pct, width_px, height_px), pct
    kind = "curved" if pct > local else None
    return sky.draw_gradient(rng, pct, width_px, height_px, kind), pct
