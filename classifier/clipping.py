"""Clipping in a stack: what one pass of rejection takes away, and the ghost a trail leaves.

A pixel of n registered subs is rejected where it lies more than k sample standard deviations from
the mean of the n. A trail in one sub raises that very mean and standard deviation, so that with
few subs it hides behind itself: no value of n can lie farther than (n - 1) / sqrt(n) standard
deviations from their mean (Shiffler 1988, Am. Stat. 42, 79, from memory).
"""

import math

from scipy.stats import norm

MOST_SUBS = 2000


def farthest_sigma(subs: int) -> float:
    """The largest possible deviation from the mean in sample standard deviations (ddof 1)."""
    return (subs - 1) / math.sqrt(subs)


def can_reject(subs: int, clip_sigma: float) -> bool:
    """Whether one pass at `clip_sigma` can reject anything at all among so many subs."""
    return subs > 1 and farthest_sigma(subs) > clip_sigma


def false_rejection(clip_sigma: float) -> float:
    """Share of good values that a clip at k sigma rejects, erfc(k / sqrt 2)."""
    return math.erfc(clip_sigma / math.sqrt(2))


def clipped_spread(clip_sigma: float) -> float:
    """Standard deviation of a Gaussian cut at +-k sigma, over that of the whole."""
    k = clip_sigma
    inside = math.erf(k / math.sqrt(2))
    return math.sqrt(1 - 2 * k * float(norm.pdf(k)) / inside)


def reject_from(subs: int, clip_sigma: float) -> float:
    """Light above the other subs' mean, in their standard deviations, from which one pass rejects
    a value; infinity where no value can be.

    With the others' deviation taken as 1, a value x lies x (n-1)/n from the mean of all, whose
    variance it raises to ((n-2) + x^2 (n-1)/n) / (n-1).
    """
    if not can_reject(subs, clip_sigma):
        return math.inf
    n, k = subs, clip_sigma
    return k * math.sqrt((n - 2) / (n - 1)) / math.sqrt(((n - 1) / n) ** 2 - k**2 / n)


def ghost(trail_sigma: float, subs: int, clip_sigma: float) -> float:
    """Light that a trail in one sub leaves in the mean of `subs`, in noise of a single sub.

    trail_sigma: the trail's light per pixel in that unit. Where the pixel survives the clip it
    leaves 1/n of itself; the pixels that survive are those whose own noise was against the trail:
    (A Phi(t) - phi(t)) / n with t = reject_from - A.
    """
    limit = reject_from(subs, clip_sigma)
    if math.isinf(limit):
        return trail_sigma / subs
    t = limit - trail_sigma
    return (trail_sigma * float(norm.cdf(t)) - float(norm.pdf(t))) / subs


def line_gain(length_px: float, fwhm_px: float) -> float:
    """Signal-to-noise of a whole trail over its light per pixel in sigma, sqrt(L s sqrt pi) with
    s the Gaussian sigma of its section (matched filter)."""
    return math.sqrt(length_px * fwhm_px / 2.3548200450309493 * math.sqrt(math.pi))


def ghost_snr(trail_snr: float, gain: float, subs: int, clip_sigma: float) -> float:
    """Signal-to-noise over its whole length of what a trail leaves in the stack.

    trail_snr: that of the trail in its own sub; gain: `line_gain` of it.
    """
    left = ghost(trail_snr / gain, subs, clip_sigma)
    return max(0.0, left) * math.sqrt(subs) * gain


def subs_needed(
    trail_snr: float, gain: float, clip_sigma: float, harmless_snr: float
) -> int | None:
    """The smallest number of subs from which on the ghost is harmless; None beyond 2000."""
    low, high = 1, MOST_SUBS
    if ghost_snr(trail_snr, gain, high, clip_sigma) >= harmless_snr:
        return None
    # The ghost falls with every sub more, but for the step where clipping begins: also a fall.
    while high - low > 1:
        middle = (low + high) // 2
        harmless = ghost_snr(trail_snr, gain, middle, clip_sigma) < harmless_snr
        low, high = (low, middle) if harmless else (middle, high)
    return high
