"""What model and measures say about one sub, and how far the measures bear the model out."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from classifier.vocabulary import GROUPS, fault
from classifier.wording import described

if TYPE_CHECKING:
    from classifier.evidence import Evidence

PART = 0.05  # a fault less likely than this has no part in what several are together


@dataclass(frozen=True)
class Levels:
    """The model's own cuts: confidence per label, and the unfamiliarity from which to `look`."""

    thresholds: Mapping[str, float]
    unsure: Mapping[str, float]
    unfamiliar: float


@dataclass(frozen=True)
class Opinion:
    """What model and measures say about one sub. `noise_ratio` is the sky noise over that of
    the darker subs of the run; None = unknown. `numbers` are those of the measures, `pixels` how
    many the frame has, 0 = unknown."""

    confidence: Mapping[str, float]
    evidence: "Mapping[str, Evidence]"
    unfamiliar: float = 0.0
    noise_ratio: float | None = None
    numbers: Mapping[str, float] = field(default_factory=dict)
    pixels: int = 0

    def state(self, key: str) -> str:
        """What the measure says of a fault: "yes", "no" or "unknown"."""
        found = self.evidence.get(key)
        return found.state if found else "unknown"

    def described(self, key: str) -> str:
        """The fault with its confidence and its measured value, for people: that of a fault that
        is the same light where its measure says yes, and that of this one does not."""
        if self.state(key) != "yes":
            for other in same_light(key):
                if self.state(other) == "yes":
                    return described(key, self.confidence[key], self.evidence[other], other)
        return described(key, self.confidence[key], self.evidence.get(key))


def decisive(key: str, opinion: Opinion) -> str:
    """ "yes" or "no" where the measure lies clear of the soft zone, else ""."""
    found = opinion.evidence.get(key)
    row = fault(key)
    if found is None or found.value is None or not found.threshold:
        return ""
    if row.grows_downwards:
        times = row.clean_below / row.counts_from
        is_deep = found.state == "yes" and found.value <= found.threshold / times
        is_free = found.state == "no" and found.value >= found.threshold * times
        return "yes" if is_deep else "no" if is_free else ""
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


def mistaken(key: str, opinion: Opinion) -> bool:
    """Whether the measure found what looks like this fault, and that it is something else."""
    found = opinion.evidence.get(key)
    return found is not None and found.mistaken


def confirmed(key: str, opinion: Opinion) -> bool:
    """Whether the measure says yes to a fault, or to one that is the same light."""
    return any(opinion.state(sibling) == "yes" for sibling in same_light(key))


def supported(key: str, opinion: Opinion) -> bool:
    """Whether the measure says yes to a fault or to one that is the same light, or reaches the
    threshold of one of them with the cause open."""
    return confirmed(key, opinion) or any(
        is_reached(sibling, opinion.evidence.get(sibling)) for sibling in same_light(key)
    )


def is_reached(key: str, found: "Evidence | None") -> bool:
    """Whether a measure that does not say no reaches its threshold: where it is open, then about
    the cause alone. Of what counts downwards it is open about the number itself."""
    if found is None or found.state == "no" or found.value is None or not found.threshold:
        return False
    return found.value >= found.threshold and not fault(key).grows_downwards


def group_confidence(confidence: Mapping[str, float]) -> dict[str, float]:
    """Confidence that a member of each group holds: see `any_of`."""
    return {name: any_of(members, confidence) for name, members in GROUPS.items()}


def same_light(key: str) -> tuple[str, ...]:
    """The faults that one frame cannot tell from this one, itself among them."""
    return next((members for members in GROUPS.values() if key in members), (key,))


def likeliest(keys: Sequence[str], opinion: Opinion) -> str:
    """Of faults that are the same light the one to name. The run, whose word the measures carry,
    can tell what a single frame cannot: what they say no to comes behind what they say yes to.
    """
    possible = [key for key in keys if opinion.confidence[key] >= PART]
    if any(opinion.state(key) == "yes" for key in possible):
        possible = [key for key in possible if opinion.state(key) != "no"]
    return max(possible or keys, key=lambda key: opinion.confidence[key])


def any_of(keys: Sequence[str], confidence: Mapping[str, float]) -> float:
    """Confidence that one of these faults holds, of which each would explain the same light: as one
    star hardly ever has two of them, their shares add up."""
    return min(1.0, math.fsum(confidence[key] for key in keys))
