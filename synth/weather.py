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
