"""From confidences and measured evidence to keep, look or drop, with one sentence why.

The rules, in order; the first that applies decides the sub. *Given* means that the model's
calibrated confidence reaches the threshold of that label; *perhaps* means that it lies between
the `unsure` level and that threshold. A measure is *decisive* when its value lies clear of the
vocabulary's soft zone around the threshold: below its clean end, or as far above its threshold
as that zone is wide. "Unknown" evidence is no disagreement, and never changes a verdict.

| no. | the sub                                                              | verdict |
|-----|----------------------------------------------------------------------|---------|
| 1   | is unlike anything the model was trained on                          | look    |
| 2   | is given a fault that costs the sub (below), and the measure is not  | drop    |
|     | decisively against it; in a run of 5 subs or fewer, which gives      |         |
|     | nothing to compare with, the measure must say so too                 |         |
| 2a  | as 2, but more than half of its run (of 3 subs or more) is given the | look,   |
|     | same fault: the night is ranked instead of dropped                   | ranked  |
| 3   | is given a fault that costs the sub, and the measure is decisively   | look    |
|     | against it, or in a short run does not confirm it                    |         |
| 4   | perhaps has a fault that costs the sub, and the measure says nothing | look    |
|     | against it                                                           |         |
| 5   | has a fault that costs the sub by a decisive measure, and the model  | look    |
|     | sees none of its kind                                                |         |
| 6   | is given a reflection: it moves with the pointing, so a recentring   | look    |
|     | may cure it                                                          |         |
| 7   | has nothing, or only what flats, darks, dithering or stacking mend   | keep    |

What costs the sub: every fault that *spoils*; a trail in a run of more than 10 subs (in n subs
the largest possible deviation from their mean is (n - 1) / sqrt(n) standard deviations: 2.85 in
10 subs, so that one pass of clipping at 3 sigma can reject nothing, and a sub that cannot be
spared is kept with that advice); a gradient whose light at least doubles the sky noise of its
run's darker subs. Faults that are the same light (`GROUPS`) back each other: a measured
vibration does not contradict a drift that the model sees.

A sub is never dropped on a confidence below the calibrated threshold, nor on a measure alone.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import quantiles
from typing import TYPE_CHECKING

from classifier.vocabulary import GROUPS, KEYS, Effect, Verdict, fault
from classifier.wording import capital, counted, described, joined, measured, percent

if TYPE_CHECKING:
    from classifier.evidence import Evidence

SHORT_RUN = 5  # up to this size the measures judge each sub by itself (`runs`)
FEW_SUBS = 10  # runs up to this size cannot clip a trail away, nor spare the sub
WIDESPREAD_FROM = 3  # a run needs this many subs before "more than half of it" means anything
UNFAMILIAR_WHY = "This frame is unlike the sky the model was trained on: its labels may be wrong."
NOISE_DOUBLED = 2.0  # a gradient that raises the sky noise this many times costs the sub


@dataclass(frozen=True)
class Levels:
    """The model's own cuts: confidence per label, and the unfamiliarity from which to `look`."""

    thresholds: Mapping[str, float]
    unsure: Mapping[str, float]
    unfamiliar: float


@dataclass(frozen=True)
class Opinion:
    """What model and measures say about one sub. `noise_ratio` is the sky noise over that of
    the darker subs of the run; None = unknown."""

    confidence: Mapping[str, float]
    evidence: "Mapping[str, Evidence]"
    unfamiliar: float = 0.0
    noise_ratio: float | None = None

    def state(self, key: str) -> str:
        """What the measure says of a fault: "yes", "no" or "unknown"."""
        found = self.evidence.get(key)
        return found.state if found else "unknown"

    def described(self, key: str) -> str:
        """The fault with its confidence and its measured value, for people."""
        return described(key, self.confidence[key], self.evidence.get(key))


@dataclass(frozen=True)
class Judgement:
    """The verdict on one sub. `costly` are the labels given that can cost it, `costing` those
    of them that would drop it."""

    verdict: Verdict
    faults: tuple[str, ...]
    why: str
    costly: tuple[str, ...] = ()
    costing: tuple[str, ...] = ()


def judge_run(opinions: Sequence[Opinion], levels: Levels) -> list[Judgement]:
    """Judge all subs of one run, in the order given."""
    judged = [judge_sub(opinion, levels, len(opinions)) for opinion in opinions]
    common = widespread([judgement.costly for judgement in judged])
    return [
        _ranked(i, judged, opinions, common)
        if judgement.costing and set(judgement.costing) <= set(common)
        else judgement
        for i, judgement in enumerate(judged)
    ]


def judge_sub(opinion: Opinion, levels: Levels, run_size: int) -> Judgement:
    """Judge one sub by itself (every rule of the table but 2a)."""
    faults = tuple(key for key in KEYS if opinion.confidence[key] >= levels.thresholds[key])
    if opinion.unfamiliar > levels.unfamiliar:
        return Judgement(Verdict.LOOK, faults, UNFAMILIAR_WHY)
    possible = [key for key in KEYS if costs_sub(key, opinion, run_size)]
    costly = tuple(key for key in possible if key in faults)
    against = [key for key in costly if contradicted(key, opinion)]
    unconfirmed = [key for key in costly if run_size <= SHORT_RUN and not confirmed(key, opinion)]
    costing = tuple(key for key in costly if key not in against and key not in unconfirmed)
    if costing:
        why = capital(joined(opinion.described(key) for key in costing)) + "."
        return Judgement(Verdict.DROP, faults, why, costly, costing)
    why = _why_look(opinion, levels, possible, against, unconfirmed, faults)
    if why:
        return Judgement(Verdict.LOOK, faults, why, costly)
    return Judgement(Verdict.KEEP, faults, _why_keep(faults, run_size))


def costs_sub(key: str, opinion: Opinion, run_size: int) -> bool:
    """Whether this fault, once established, is a reason to drop a sub of such a run."""
    if key == "trail":
        return run_size > FEW_SUBS
    if key == "gradient":
        return opinion.noise_ratio is not None and opinion.noise_ratio >= NOISE_DOUBLED
    return fault(key).effect is Effect.SPOILS


def decisive(key: str, opinion: Opinion) -> str:
    """ "yes" or "no" where the measure lies clear of the soft zone, else ""."""
    found = opinion.evidence.get(key)
    row = fault(key)
    if found is None or found.value is None or not found.threshold or row.grows_downwards:
        return ""
    # A measure may count from another level, in another unit, than the vocabulary does: the
    # soft zone keeps its share of the threshold.
    zone = (row.counts_from - row.clean_below) * found.threshold / row.counts_from
    if found.state == "yes" and found.value >= found.threshold + zone:
        return "yes"
    if found.state == "no" and found.value <= found.threshold - zone:
        return "no"
    return ""


def contradicted(key: str, opinion: Opinion) -> bool:
    """Whether the measure is decisively against a fault and backs none that is the same light."""
    return decisive(key, opinion) == "no" and not confirmed(key, opinion)


def confirmed(key: str, opinion: Opinion) -> bool:
    """Whether the measure says yes to a fault, or to one that is the same light."""
    return any(opinion.state(sibling) == "yes" for sibling in _same_light(key))


def group_confidence(confidence: Mapping[str, float]) -> dict[str, float]:
    """Confidence that at least one member of each group holds: 1 - product of (1 - p), that is
    with its members taken as independent."""
    return {
        name: 1.0 - math.prod(1.0 - confidence[key] for key in members)
        for name, members in GROUPS.items()
    }


def noise_ratios(noise: Sequence[float | None]) -> list[float | None]:
    """Sky noise of each sub of a run over the lower quartile of the run.

    None where it is unknown, and for runs of fewer than `WIDESPREAD_FROM` known values.
    """
    known = [value for value in noise if value is not None and math.isfinite(value) and value > 0]
    if len(known) < WIDESPREAD_FROM:
        return [None] * len(noise)
    dark = quantiles(known, n=4, method="inclusive")[0]
    return [value / dark if value is not None and math.isfinite(value) else None for value in noise]


def widespread(costly: Sequence[Sequence[str]]) -> dict[str, int]:
    """Faults that more than half of a run is given, with the number of its subs that are."""
    if len(costly) < WIDESPREAD_FROM:
        return {}
    counts = {key: sum(key in keys for keys in costly) for key in KEYS}
    return {key: count for key, count in counts.items() if 2 * count > len(costly)}


def _same_light(key: str) -> tuple[str, ...]:
    return next((members for members in GROUPS.values() if key in members), (key,))


def _why_look(
    opinion: Opinion,
    levels: Levels,
    possible: Sequence[str],
    against: Sequence[str],
    unconfirmed: Sequence[str],
    faults: Sequence[str],
) -> str:
    """The reason to look (rules 3 to 6), or an empty string."""
    if against:
        told = capital(joined(opinion.described(key) for key in against))
        return f"{told}, but the measure says no."
    if unconfirmed:
        told = capital(joined(opinion.described(key) for key in unconfirmed))
        return f"{told}, but no measure confirms it and its run is too short to compare."
    perhaps = [
        key
        for key in possible
        if levels.unsure[key] <= opinion.confidence[key] < levels.thresholds[key]
        and opinion.state(key) != "no"
    ]
    if perhaps:
        key = max(perhaps, key=lambda name: opinion.confidence[name])
        needed = percent(levels.thresholds[key])
        return f"Perhaps {opinion.described(key)}; the label is given from {needed}."
    for key in possible:
        unseen = all(opinion.confidence[k] < levels.unsure[k] for k in _same_light(key))
        if decisive(key, opinion) == "yes" and unseen:
            found = measured(opinion.evidence[key])
            return f"The measures find {fault(key).title} ({found}), the model does not."
    if "reflection" in faults:
        told = capital(opinion.described("reflection"))
        return f"{told}: it moves with the pointing, so see whether it matters here."
    return ""


def _why_keep(faults: Sequence[str], run_size: int) -> str:
    """What a kept sub has, and what takes care of it."""
    if not faults:
        return "No fault found."
    cures = _CURES | {"trail": _TRAIL_CURE.format(subs=counted(run_size, "sub"))}
    return capital(joined(f"{fault(key).title} ({cures[key]})" for key in faults)) + "."


_CURES = {
    "hot_pixels": "darks and dithering remove them",
    "dust_motes": "flats remove them",
    "vignetting": "flats remove it",
    "diffraction_spikes": "they harm the bright stars only",
    "gradient": "it adds little noise and can be fitted away",
    "low_signal": "it still adds depth, longer subs would add more",
    "bayer_grid": "the one good colour plane can be used alone",
}
_TRAIL_CURE = "in a run of {subs} the sub is needed; clipping cannot reject the trail, so mask it"


def _ranked(
    index: int,
    judged: Sequence[Judgement],
    opinions: Sequence[Opinion],
    common: Mapping[str, int],
) -> Judgement:
    """Rule 2a: instead of being dropped with most of its run, the sub is ranked in it."""
    mine = judged[index]
    key = max(mine.costing, key=lambda name: common[name])
    holders = [i for i, judgement in enumerate(judged) if key in judgement.costly]
    order = sorted(holders, key=lambda i: _strength(key, opinions[i]))
    why = (
        f"{mine.why[:-1]}, as {common[key]} of this run's {len(judged)} subs: "
        f"number {order.index(index) + 1} of these from the best."
    )
    return Judgement(Verdict.LOOK, mine.faults, why, mine.costly)


def _strength(key: str, opinion: Opinion) -> tuple[float, float]:
    """Sort key, mildest first: the measured value where there is one, then the confidence."""
    found = opinion.evidence.get(key)
    value = found.value if found is not None and found.value is not None else 0.0
    return (value if math.isfinite(value) else 0.0, opinion.confidence[key])
