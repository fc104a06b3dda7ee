"""Light lost by the subs of a run: by their stars, against the clearest of them.

Clearest is the best tenth whose light is borne out: one sub whose stars seem a magnitude brighter
is no reason to call all others cloudy, unless it shows the more stars that a clearer sky shows.
"""

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from classifier.reference import Member, airmass, low_tenth, merged, quantile
from classifier.star_match import Loss, light_lost
from classifier.vocabulary import fault

Array = np.ndarray

EXTINCTION_MAG = 0.2  # per airmass, broad-band from a lowland site (cp)
COUNT_SLOPE = 0.36  # log10 of star counts per magnitude near magnitude 15


def light_lost_in(run: Sequence[Member]) -> list[Loss | None]:
    """Light lost by every frame against the best tenth of the run.

    All are compared with the frame of most stars; differences of airmass are taken out, and frames
    whose stars merge are not asked how clear it was.
    """
    best = max(range(len(run)), key=lambda i: len(run[i][1].stars) + 1e-3 * _count(run[i]))
    raw = [light_lost(measures.stars, run[best][1].stars) for _, measures in run]
    clear = []
    for (facts, _), loss in zip(run, raw, strict=True):
        extinction = EXTINCTION_MAG * (airmass(facts) - airmass(run[best][0]))
        clear.append(None if loss is None else replace(loss, mean_mag=loss.mean_mag - extinction))
    wide = merged([measures for _, measures in run])
    lost_mag = np.array([math.nan if loss is None else loss.mean_mag for loss in clear])
    asked = ~wide & np.isfinite(lost_mag) & _borne_out(run, lost_mag)
    zero = low_tenth(lost_mag[asked if asked.any() else ~wide].tolist())
    return [
        None if loss is None else replace(loss, mean_mag=loss.mean_mag - zero) for loss in clear
    ]


def _borne_out(run: Sequence[Member], lost_mag: Array) -> Array:
    """(n,) whether as many stars are seen as a frame must show that loses so little light. Where
    they are brighter than the middle frame's and hardly more, in no more noise, it is their
    neighbours' light that is summed with them, or the file was scaled."""
    counts, noise = (
        np.array([measures.numbers.get(name, math.nan) for _, measures in run])
        for name in ("star_count", "noise_adu")
    )
    noise = np.where(noise > 0, noise, np.nan)  # none is measured in pictures of few levels
    middle_mag, middle_noise, middle_count = (
        quantile(values.tolist(), 0.5) for values in (lost_mag, noise, counts)
    )
    deeper_mag = middle_mag - lost_mag - 2.5 * np.log10(noise / middle_noise)
    more = np.log10(counts.clip(1) / max(middle_count, 1.0))
    return ~((deeper_mag > fault("clouds").counts_from) & (more < COUNT_SLOPE * deeper_mag / 2))


def _count(member: Member) -> float:
    count = member[1].numbers.get("star_count", 0.0)
    return count if math.isfinite(count) else 0.0
