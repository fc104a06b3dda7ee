"""Gusts told by the motion that they add to the stars: one way, of uneven strength, for a while.

    signs = sway_signs(line)
    signs["sway_steady"], signs["sway_spell"]

What a motion adds to a star is a tensor of second moments, (a^2 - b^2) along its angle. Such
tensors add: neither the air nor the optics' own stretch, which every sub has, changes what a motion
puts on top, while the elongation saturates and mixes both. Here the tensor of the calm subs, those
that are most alike, is taken off, and what is left is the motion.
"""

import math

import numpy as np
from scipy import stats

from classifier.night_line import NightLine

Array = np.ndarray

LEAST = 6
CALM_PART, LEAST_CALM = 3, 3  # the third of the subs that is most alike, at least so many
# Of a moved sub: in squares of the sharp stars' width, and in what the calm subs scatter by.
MOVED, MOVED_USUAL = 0.1, 4.0
LEAST_SCATTER = 0.02  # of the calm subs: what errors of the shapes make


def motion_of(line: NightLine) -> Array:
    """(n,) complex: (a^2 - b^2) at twice the angle, in squares of the sharp stars' width."""
    width = line.of["fwhm_px"]
    return (line.of["e1"] + 1j * line.of["e2"]) * (width / np.nanquantile(width, 0.1)) ** 2


def sway_signs(line: NightLine) -> dict[str, float]:
    """Of the motion beyond that of the calm subs: sway_top, its 85 % quantile; sway_steady: 1 if
    it always goes the same way in the sensor's frame. sway_share: subs that moved; sway_spell: how
    unlikely it is that those scattered at random lie in so few groups, minus its decimal logarithm;
    sway_flip: subs that were calm before the meridian flip or moved after it, 0 without a flip;
    sway_uneven: scatter of their motion over its mean; sway_ra: 1 if they moved along right
    ascension, -1 along declination, absent where the turn of the camera is unknown.

    Of the subs that moved against those that did not: sway_size, the strength of the median one;
    sway_stands, the same over the nine-tenths quantile of the others; sway_agree: how unlikely it
    is that their stars' directions agree so by chance, as sway_spell; sway_push: how much more
    lopsided their stars are along the motion, always to the same side; sway_lost: magnitudes more
    that they lost; sway_calm: how much the others' stars vary in width, as `thick`; each absent
    where unknown.
    All absent where fewer than six subs show their stars' shapes."""
    motion = motion_of(line)
    places = np.flatnonzero(np.isfinite(motion))
    motion = motion[places]
    n = len(motion)
    if n < LEAST:
        return {}
    calmest = _densest(motion, max(LEAST_CALM, n // CALM_PART))
    calm = complex(np.median(calmest.real), np.median(calmest.imag))
    own = motion - calm
    size = np.abs(own)
    usual = float(np.median(np.abs(calmest - calm)))
    moved = size > max(MOVED, MOVED_USUAL * usual)
    whole = float(size[moved].sum())
    # A motion's own direction, of which the tensor has twice the angle.
    angles = np.full(len(line), np.nan)
    angles[places] = np.rad2deg(np.angle(own) / 2)
    east = 2 * np.deg2rad(line.to_sky_deg(angles)[places] - 90.0)
    signs = {
        "sway_top": float(np.quantile(size, 0.85)),
        "sway_steady": float(abs(own[moved].sum())) / whole if whole > 0 else 0.0,
        "sway_share": float(moved.mean()),
        "sway_count": float(moved.sum()),
        "sway_spell": _spell(moved),
        "sway_flip": 0.0 if line.flip is None else float((moved == (places >= line.flip)).mean()),
        "sway_uneven": float(size[moved].std() / size[moved].mean()) if moved.any() else 0.0,
    }
    if whole > 0 and np.isfinite(east[moved]).all():
        signs["sway_ra"] = float((size * np.cos(east))[moved].sum()) / whole
    return signs | _moved_against_calm(line, places, own, moved)


def _moved_against_calm(
    line: NightLine, places: Array, own: Array, moved: Array
) -> dict[str, float]:
    wide = short_way(line)[places]
    wide = wide[np.isfinite(wide) & ~moved]
    calm = {}
    if len(wide) >= LEAST_CALM:
        calm["sway_calm"] = float(np.quantile(wide, 0.9) - np.quantile(wide, 0.1))
    if not moved.any() or moved.all():
        return calm | {"sway_stands": 0.0}
    of = {name: values[places] for name, values in line.of.items()}
    size = np.abs(own)
    stands = np.median(size[moved]) / max(float(np.quantile(size[~moved], 0.9)), LEAST_SCATTER)
    signs = calm | {"sway_stands": float(stands), "sway_size": float(np.median(size[moved]))}
    # The odds that n directions at random agree by R are about exp(-n R^2) (Rayleigh 1880); the sum
    # of k such exponents has the gamma law.
    agreement = (of["star_count"] * of["angle_coherence"] ** 2)[moved]
    if np.isfinite(agreement).all():
        odds = float(stats.gamma.logsf(float(agreement.sum()), len(agreement)))
        signs["sway_agree"] = -odds / math.log(10)
    # A push and its end leave a wing on one side, a shake leaves none.
    skew = of["skew_x"] + 1j * of["skew_y"]
    usual = complex(*(_median(part[~moved]) for part in (skew.real, skew.imag)))
    along = (skew - usual) * np.exp(-0.5j * np.angle(own[moved].sum()))
    signs["sway_push"] = abs(_mean(along.real[moved]))
    signs["sway_lost"] = _median(of["veil_mag"][moved]) - _median(of["veil_mag"][~moved])
    return signs


def short_way(line: NightLine) -> Array:
    """(n,) width of the stars across their long axis at the zenith, in powers of two. Motion draws
    a star out along one way only; what widens the short way is light itself."""
    air = np.where(np.isfinite(line.of["airmass"]), line.of["airmass"], 1.0)
    long = line.of["elongation"]
    return np.log2(line.of["fwhm_px"] / np.sqrt((1 + long**2) / 2) / air**0.6)


def _median(values: Array) -> float:
    values = values[np.isfinite(values)]
    return float(np.median(values)) if len(values) else math.nan


def _mean(values: Array) -> float:
    values = values[np.isfinite(values)]
    return float(values.mean()) if len(values) else math.nan


def _spell(moved: Array) -> float:
    """-log10 of the odds that as many subs at random places lie in no more groups than these do:
    of all ways to place k of n, C(k - 1, g - 1) C(n - k + 1, g) have g groups (Wald and
    Wolfowitz 1940, Ann. Math. Stat. 11, 147), which is the hypergeometric law."""
    n, k = len(moved), int(moved.sum())
    if not k:
        return 0.0
    groups = int(np.diff(moved.astype(int), prepend=0).clip(0).sum())
    odds = float(stats.hypergeom.logcdf(groups, n, n - k + 1, k))
    return max(0.0, -odds / math.log(10))


def _densest(motion: Array, count: int) -> Array:
    """The `count` that lie closest together: calm subs are alike, and moved ones are not."""
    apart = np.abs(motion[:, None] - motion)
    order = np.argsort(apart, axis=1)[:, :count]
    reach = np.take_along_axis(apart, order[:, -1:], 1)[:, 0]
    return motion[order[int(reach.argmin())]]
