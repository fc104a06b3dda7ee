"""What a low target cost: how much wider the air alone makes its stars, and the light it takes.

    costs = altitude_costs(altitudes_deg, exposures_s)
    costs.wider, costs.lost_mag          # arrays, one per sub, against the zenith
    altitude_text(costs, fwhm_px)

Seeing grows as airmass to the power 0.6 (Kolmogorov turbulence: Fried 1966, J. Opt. Soc. Am. 56,
1372); light falls by an extinction of 0.2 magnitudes per airmass (broad-band from a lowland site,
common practice; a narrow band in the red loses half as much, blue light twice). For faint stars
on a sky that rules the noise a sub is worth (light / width)^2 of one at the zenith.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from classifier.facts import Facts
from classifier.lost_light import EXTINCTION_MAG
from classifier.reference import airmass
from classifier.wording import counted, duration

Array = np.ndarray

SEEING_POWER = 0.6
LOW_AIRMASS = 1.5  # 42 degrees: below it the cost begins to be worth a word


@dataclass(frozen=True)
class AltitudeCosts:
    """Arrays (n,), NaN where the altitude is unknown. wider: factor on the seeing's width;
    lost_mag: magnitudes taken by the air beyond the zenith's; worth: share of the signal to noise
    squared that the same exposure gives at the zenith. exposure_s as given."""

    altitude_deg: Array
    airmass: Array
    wider: Array
    lost_mag: Array
    worth: Array
    exposure_s: Array


def altitude_costs(
    altitude_deg: Sequence[float] | Array, exposure_s: Sequence[float | None]
) -> AltitudeCosts:
    """Costs of every sub; altitudes below 5 degrees, where no formula holds, are unknown."""
    altitude = np.asarray(altitude_deg, float)
    thick = np.array([airmass(Facts(altitude_deg=float(a))) if a > 5 else np.nan for a in altitude])
    wider = thick**SEEING_POWER
    lost = EXTINCTION_MAG * (thick - 1)
    worth = (10 ** (-0.4 * lost) / wider) ** 2
    exposure = np.array([np.nan if each is None else each for each in exposure_s], float)
    return AltitudeCosts(altitude, thick, wider, lost, worth, exposure)


def altitude_text(costs: AltitudeCosts, fwhm_px: Array) -> list[str]:
    """Sentences on the run's course through the air; empty where no altitude is known, one where
    the target stayed high."""
    known = np.isfinite(costs.airmass)
    if not known.any():
        return []
    altitude, thick = costs.altitude_deg[known], costs.airmass[known]
    course = f"The target went from {altitude[0]:.0f} to {altitude[-1]:.0f} degrees of altitude"
    if altitude.max() > max(altitude[0], altitude[-1]) + 1:
        course += f", {altitude.max():.0f} at its highest"
    if altitude.min() < min(altitude[0], altitude[-1]) - 1:
        course += f", {altitude.min():.0f} at its lowest"
    course += f" (airmass {thick.min():.2f} to {thick.max():.2f})"
    if thick.max() < LOW_AIRMASS:
        return [f"{course}: high enough to cost little."]
    wider, lost = costs.wider[known].max(), costs.lost_mag[known].max()
    told = [
        f"{course}: at the lowest the air alone makes stars {wider:.2f} times as wide as overhead "
        f"(airmass to the power 0.6) and takes {lost:.2f} magnitudes (0.2 per airmass is common "
        "practice)."
    ]
    for sentence in (_measured(costs, fwhm_px), _worth(costs)):
        if sentence:
            told.append(sentence)
    return told


def _measured(costs: AltitudeCosts, fwhm_px: Array) -> str | None:
    """Widths of the lower third against those of the higher, beside what the air explains."""
    both = np.isfinite(costs.airmass) & np.isfinite(fwhm_px)
    if both.sum() < 6 or np.ptp(costs.airmass[both]) < 0.3:
        return None
    order = np.argsort(costs.airmass[both])
    third = max(2, len(order) // 3)
    low, high = order[-third:], order[:third]
    width, wider = fwhm_px[both], costs.wider[both]
    measured = float(np.median(width[low]) / np.median(width[high]))
    air = float(np.median(wider[low]) / np.median(wider[high]))
    return (
        f"Measured, stars of the lower third of the subs are {measured:.2f} times as wide as those "
        f"of the higher third, where the air explains {air:.2f}."
    )


def _worth(costs: AltitudeCosts) -> str | None:
    low = costs.airmass >= LOW_AIRMASS
    if not low.any() or not np.isfinite(costs.exposure_s[low]).all():
        return None
    spent = float(costs.exposure_s[low].sum())
    got = float((costs.exposure_s[low] * costs.worth[low]).sum())
    return (
        f"{counted(int(low.sum()), 'sub')} below 42 degrees, {duration(spent)} of exposure, show "
        f"faint stars as well as {duration(got)} overhead would."
    )
