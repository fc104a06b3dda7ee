"""From confidences and measured evidence to keep, look or drop, with one sentence why.

The rules, in order; the first that applies decides the sub. *Given* means that the model's
calibrated confidence reaches the threshold of that label; *perhaps* means that it lies between the
`unsure` level and that threshold. A measure is *decisive* when its value lies clear of the
vocabulary's soft zone around the threshold: below its clean end, or as far above its threshold as
that zone is wide. It *supports* a fault when it says yes to it or to one that is the same light, or
reaches the threshold of one of them and only the cause is open. "Unknown" evidence is no
disagreement. Of faults that are the same light (`GROUPS`) the likeliest is given too where several
of them together are as sure as each label asks for and a measure supports them: which it is stays
open, and the sentence says so. The run has the first word on which: one that the measure says no to
comes behind those it says yes to, and a drift or vibration of which the model is less than 80 %
sure gives way to the other where the measure finds that by how the neighbouring subs are stretched.
A fault of which the model is 30 % sure or more, but less than its label asks for, and which a
measure decisively finds, is *borne out*: a label, but never a reason to drop; so is one that a
measure finds in a form that nothing else has. A label is not given where the measure knows what was
mistaken for the fault: a line in the same place in other subs is no trail.

| no. | the sub                                                              | verdict |
|-----|----------------------------------------------------------------------|---------|
| 1   | is unlike anything the model was trained on                          | look    |
| 2   | is given a fault that costs the sub (below), and the measure is not  | drop    |
|     | decisively against it; where the model is less than 90 % sure the    |         |
|     | measure must support it, and in a run of 5 subs or fewer, which      |         |
|     | gives nothing to compare with, it must say so too                    |         |
| 2a  | as 2, but more than half of its run (of 3 subs or more) is given the | look,   |
|     | same fault: the night is ranked instead of dropped                   | ranked  |
| 3   | is given a fault that costs the sub, and the measure is decisively   | look    |
|     | against it, or does not bear it out where it has to                  |         |
| 4   | perhaps has a fault that costs the sub, and the measure supports it; | look    |
|     | or it cannot say, and the fault, or one that is the same light, is   |         |
|     | more likely than not (in a short run not for what takes comparing)   |         |
| 4a  | has a fault that costs the sub, borne out                            | look    |
| 5   | has a fault that costs the sub by a decisive measure, and the model  | look    |
|     | sees none of its kind                                                |         |
| 6   | is given a reflection: it moves with the pointing, so a recentring   | look    |
|     | may cure it                                                          |         |
| 7   | has no star at all, or is whole and has fewer than three, or sources | look    |
|     | with more light far out than any star                                |         |
| 8   | has nothing, or only what flats, darks, dithering or stacking mend   | keep    |

What takes comparing with the run's other subs: swollen stars, which are a matter of size alone
(4 px are good seeing on one rig and a ruined sub on another), and the slight forms of defocus
and cloud. A short run cannot tell; swollen stars are then neither labelled nor held against the
sub unless the measure finds them wider than seeing can explain, and the sentence says so. A fault
that costs the sub, of which the model is less than 90 % sure and which no measure bears out, is no
label in a short run either: the sentence names it, and the sub is to be looked at.

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

from classifier.opinion import (
    PART,
    Levels,
    Opinion,
    any_of,
    confirmed,
    contradicted,
    decisive,
    likeliest,
    mistaken,
    same_light,
    supported,
)
from classifier.reasons import in_place_of, left_open, one_of_several, why_disputed, why_keep
from classifier.vocabulary import GROUPS, KEYS, Effect, Verdict, fault
from classifier.wording import capital, counted, joined, measured, percent

SHORT_RUN = 5  # up to this size the measures judge each sub by itself (`runs`)
LEAST_STARS = 3  # two leave open whether a sub is turned or mirrored against another
WHOLE_FRAME = 500_000  # pixels: smaller ones are windows, which may hold a star or two
FEW_SUBS = 10  # runs up to this size cannot clip a trail away, nor spare the sub
WIDESPREAD_FROM = 3  # a run needs this many subs before "more than half of it" means anything
UNFAMILIAR_WHY = "This frame is unlike the sky the model was trained on: its labels may be wrong."
NOISE_DOUBLED = 2.0  # a gradient that raises the sky noise this many times costs the sub
SIZE_ALONE = "bloated_stars"
TAKES_COMPARING = (SIZE_ALONE, "defocus", "clouds")
EVEN = 0.5
# Of 1,149 rendered subs labelled as files the model was so sure of 40 faults, below the threshold,
# that the measure found clearly: 39 were there.
BORNE_OUT = 0.3
# On 38 rendered nights the measure found a drift, by its neighbours, in place of 12 vibrations of
# which the model was less sure, and nine were drifts; of 12 surer ones two were.
RUN_DECIDES = 0.8
TOLD_BY_RUN = ("drift", "vibration")  # how the neighbours are stretched says nothing of a jump
SURE = 0.9  # rigs differ from all that was rendered: below this the model needs a measure to drop
# 2 HFR / FWHM of a Moffat profile is sqrt((2^(1/(b-1)) - 1) / (2^(1/b) - 1)): 1.13 for b = 4.8,
# 1.36 for 2.5, 1.55 for 2.0, wider wings than any seeing makes (Trujillo et al. 2001, MNRAS
# 328, 977, from memory: 2.5 and up). Roofs and branches reach 3.
WIDEST_WINGS = 1.6


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
    given = [key for key in KEYS if opinion.confidence[key] >= levels.thresholds[key]]
    together = _given_together(opinion, levels)
    instead = {_as_the_run_says(key, opinion): key for key in given}
    instead |= {key: key for key in given if key in instead}  # what the model says too
    given = [key for key in KEYS if key in (*instead, *together) and not mistaken(key, opinion)]
    unjudged = [key for key in given if _unjudged(key, opinion, run_size)]
    borne_out = _borne_out(opinion, levels, given)
    faults = tuple(key for key in KEYS if key in (*given, *borne_out) and key not in unjudged)
    if opinion.unfamiliar > levels.unfamiliar:
        return Judgement(Verdict.LOOK, faults, UNFAMILIAR_WHY)
    possible = [key for key in KEYS if costs_sub(key, run_size, opinion.noise_ratio)]
    costly = tuple(key for key in possible if key in faults and key not in borne_out)
    against = [key for key in costly if contradicted(key, opinion)]
    unconfirmed = [key for key in costly if run_size <= SHORT_RUN and not confirmed(key, opinion)]
    doubtful = [
        key
        for key in costly
        if any_of(same_light(key), opinion.confidence) < SURE and not supported(key, opinion)
    ]
    costing = tuple(
        key for key in costly if key not in against and key not in (*unconfirmed, *doubtful)
    )
    if run_size <= SHORT_RUN:
        faults = tuple(key for key in faults if key not in doubtful)
    if costing:
        told = (
            one_of_several(key, opinion)
            if key in together
            else in_place_of(instead[key], key, opinion)
            for key in costing
        )
        note = left_open(costing[0], opinion) if len(costing) == 1 else ""
        why = f"{capital(joined(told))}{note}."
        return Judgement(Verdict.DROP, faults, why, costly, costing)
    perhaps = [key for key in possible if _perhaps(key, opinion, levels, run_size)]
    why = (
        why_disputed(opinion, against, unconfirmed, doubtful)
        or _why_borne_out(opinion, levels, [key for key in possible if key in borne_out])
        or _why_perhaps(opinion, levels, perhaps)
        or _why_unseen(opinion, levels, possible, faults)
        or _why_starless(opinion)
    )
    if why:
        return Judgement(Verdict.LOOK, faults, why, costly)
    return Judgement(
        Verdict.KEEP, faults, why_keep(faults, run_size, SHORT_RUN if unjudged else None)
    )


def costs_sub(key: str, run_size: int, noise_ratio: float | None = None) -> bool:
    """Whether this fault, once established, is a reason to drop a sub of such a run.
    noise_ratio: see `Opinion`."""
    if key == "trail":
        return run_size > FEW_SUBS
    if key == "gradient":
        return noise_ratio is not None and noise_ratio >= NOISE_DOUBLED
    return fault(key).effect is Effect.SPOILS


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


def _unjudged(key: str, opinion: Opinion, run_size: int) -> bool:
    """Whether the model's word on a fault counts for nothing without a run to compare with."""
    return key == SIZE_ALONE and run_size <= SHORT_RUN and opinion.state(key) != "yes"


def _perhaps(key: str, opinion: Opinion, levels: Levels, run_size: int) -> bool:
    """Whether a fault below its threshold is reason enough to look (rule 4)."""
    if not levels.unsure[key] <= opinion.confidence[key] < levels.thresholds[key]:
        return False
    if supported(key, opinion):
        return True
    if opinion.state(key) == "no" or (run_size <= SHORT_RUN and key in TAKES_COMPARING):
        return False
    return any_of(same_light(key), opinion.confidence) >= EVEN


def _given_together(opinion: Opinion, levels: Levels) -> list[str]:
    """The likeliest of each group of faults that are the same light, where no label is given by
    itself but several together are as sure as each asks for, and a measure bears them out."""
    found = []
    for members in GROUPS.values():
        confidence = sorted(opinion.confidence[key] for key in members)
        by_itself = any(opinion.confidence[key] >= levels.thresholds[key] for key in members)
        if by_itself or confidence[-2] < PART:
            continue
        surest = max(levels.thresholds[key] for key in members)
        first = likeliest(members, opinion)
        if any_of(members, opinion.confidence) >= surest and supported(first, opinion):
            found.append(first)
    return found


def _as_the_run_says(key: str, opinion: Opinion) -> str:
    """What to name in place of a fault: of drift and vibration the one that the measure finds where
    it says no to the other and the model is not sure of that; else the fault itself."""
    if key not in TOLD_BY_RUN or opinion.confidence[key] >= RUN_DECIDES:
        return key
    other = likeliest(TOLD_BY_RUN, opinion)
    return other if (opinion.state(key), opinion.state(other)) == ("no", "yes") else key


def _borne_out(opinion: Opinion, levels: Levels, given: Sequence[str]) -> list[str]:
    """Faults that the model alone is too unsure of and the measure finds clearly, or is sure of: of
    those that are the same light the likeliest, and none beside one that is given."""

    def is_borne_out(key: str) -> bool:
        alike = same_light(key)
        found = opinion.evidence.get(key)
        least = 0.0 if found is not None and found.sure else BORNE_OUT
        return (
            least <= opinion.confidence[key] < levels.thresholds[key]
            and key == likeliest(alike, opinion)
            and not any(k in given for k in alike)
            and decisive(key, opinion) == "yes"
            and not mistaken(key, opinion)
        )

    return [key for key in KEYS if is_borne_out(key)]


def _why_borne_out(opinion: Opinion, levels: Levels, borne_out: Sequence[str]) -> str:
    """The reason to look by rule 4a, or an empty string."""
    if not borne_out:
        return ""
    key = max(borne_out, key=lambda name: opinion.confidence[name])
    alone = percent(levels.thresholds[key])
    if opinion.confidence[key] < BORNE_OUT:
        found = measured(opinion.evidence[key])
        told = f"The measures find {fault(key).title} ({found}), in a form that nothing else has"
        return f"{told}; the model does not see it."
    return (
        f"{capital(opinion.described(key))}: the measure bears it out; "
        f"the model alone says so from {alone}."
    )


def _why_perhaps(opinion: Opinion, levels: Levels, perhaps: Sequence[str]) -> str:
    """The reason to look by rule 4, or an empty string."""
    if not perhaps:
        return ""
    key = max(perhaps, key=lambda name: opinion.confidence[name])
    told, needed = opinion.described(key), percent(levels.thresholds[key])
    is_one_of_several = len(same_light(key)) > 1 and opinion.confidence[key] < EVEN
    if is_one_of_several and not supported(key, opinion):
        told = one_of_several(key, opinion)
    return f"Perhaps {told}; the label is given from {needed}."


def _why_unseen(
    opinion: Opinion, levels: Levels, possible: Sequence[str], faults: Sequence[str]
) -> str:
    """The reason to look by rules 5 and 6, or an empty string."""
    for key in possible:
        unseen = all(opinion.confidence[k] < levels.unsure[k] for k in same_light(key))
        if decisive(key, opinion) == "yes" and unseen:
            found = measured(opinion.evidence[key])
            return f"The measures find {fault(key).title} ({found}), the model does not."
    if "reflection" in faults:
        told = capital(opinion.described("reflection"))
        return f"{told}: it moves with the pointing, so see whether it matters here."
    return ""


def _why_starless(opinion: Opinion) -> str:
    """The reason to look by rule 7, or an empty string."""
    count = opinion.numbers.get("star_count", math.nan)
    if count == 0:
        return "There is no star in it to judge it by: thick cloud, a closed cover or no light sub."
    if count < LEAST_STARS and opinion.pixels >= WHOLE_FRAME:
        some = counted(int(count), "star")
        return f"Only {some} in it to judge it by: thick cloud, a closed cover or no light sub."
    if opinion.numbers.get("concentration", 0.0) > WIDEST_WINGS:
        return "What is bright in it is not shaped like stars: something may stand in the view."
    return ""


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
