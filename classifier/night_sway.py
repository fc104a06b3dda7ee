"""Gusts told by the motion that they add to the stars: one way, of uneven strength, for a while.

    signs = sway_signs(line)
    signs["sway_steady"], signs["sway_uneven"]

What a motion adds to a star is a tensor of second moments, (a^2 - b^2) along its angle. Such
tensors add: neither the air nor the optics' own stretch, which every sub has, changes what a motion
puts on top, while the elongation saturates and mixes both. Here the tensor of the calm subs, those
that are most alike, is taken off, and what is left is the motion.
"""

import numpy as np

from classifier.night_line import NightLine

Array = np.ndarray

LEAST = 6
CALM_PART, LEAST_CALM = 3, 3  # the third of the subs that is most alike, at least so many
# Of a moved sub: in squares of the sharp stars' width, and in what the calm subs scatter by.
MOVED, MOVED_USUAL = 0.1, 4.0


def motion_of(line: NightLine) -> Array:
    """(n,) complex: (a^2 - b^2) at twice the angle, in squares of the sharp stars' width."""
    width = line.of["fwhm_px"]
    return (line.of["e1"] + 1j * line.of["e2"]) * (width / np.nanquantile(width, 0.1)) ** 2


def sway_signs(line: NightLine) -> dict[str, float]:
    """Of the motion beyond that of the calm subs: sway_top, its 85 % quantile; sway_steady: 1 if
    it always goes the same way in the sensor's frame. sway_share: subs that moved; sway_together:
    of those, the ones beside another; sway_uneven: scatter of their motion over its mean.
    Absent where fewer than six subs show their stars' shapes."""
    motion = motion_of(line)
    motion = motion[np.isfinite(motion)]
    n = len(motion)
    if n < LEAST:
        return {}
    calmest = _densest(motion, max(LEAST_CALM, n // CALM_PART))
    calm = complex(np.median(calmest.real), np.median(calmest.imag))
    own = motion - calm
    size = np.abs(own)
    usual = float(np.median(np.abs(calmest - calm)))
    moved = size > max(MOVED, MOVED_USUAL * usual)
    padded = np.pad(moved, 1)
    beside = (padded[:-2] | padded[2:])[moved]
    whole = float(size[moved].sum())
    return {
        "sway_top": float(np.quantile(size, 0.85)),
        "sway_steady": float(abs(own[moved].sum())) / whole if whole > 0 else 0.0,
        "sway_share": float(moved.mean()),
        "sway_together": float(beside.mean()) if moved.any() else 0.0,
        "sway_uneven": float(size[moved].std() / size[moved].mean()) if moved.any() else 0.0,
    }


def _densest(motion: Array, count: int) -> Array:
    """The `count` that lie closest together: calm subs are alike, and moved ones are not."""
    apart = np.abs(motion[:, None] - motion)
    order = np.argsort(apart, axis=1)[:, :count]
    reach = np.take_along_axis(apart, order[:, -1:], 1)[:, 0]
    return motion[order[int(reach.argmin())]]
