"""Model against measures: where the two opinions agree, and which frames they dispute.

    table = tallies(frames)            # frames as in frames.json
    for dispute in disputes(frames): ...

Agreement beyond chance is Cohen's kappa, over the frames where the measure says yes or no.
Kappa falls with rarity of a fault; read it beside the counts.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from classifier.vocabulary import KEYS

BOTH, MODEL_ONLY, MEASURE_ONLY = "both", "model only", "measure only"
NEITHER, MEASURE_UNKNOWN = "neither", "not judged"
AGREEMENTS = (BOTH, MODEL_ONLY, MEASURE_ONLY, NEITHER, MEASURE_UNKNOWN)

Entry = Mapping[str, Any]


@dataclass(frozen=True)
class Tally:
    """One fault over many frames. counts: of each of AGREEMENTS, MEASURE_UNKNOWN being the
    frames on which the measure has no opinion. kappa: see `kappa`."""

    fault: str
    counts: Mapping[str, int]
    kappa: float

    @property
    def compared(self) -> int:
        """Frames on which the measure has an opinion."""
        return sum(self.counts.values()) - self.counts[MEASURE_UNKNOWN]


@dataclass(frozen=True)
class Dispute:
    """A frame and fault on which the two differ. weight: 0 to 1, how sure both are. note: what
    the measure adds in words."""

    path: str
    fault: str
    agreement: str
    confidence: float
    value: float | None
    unit: str
    threshold: float | None
    weight: float
    note: str = ""


def agreement(model_says: bool, state: str) -> str:
    """One of AGREEMENTS; state is that of the evidence: yes, no or unknown."""
    if state == "unknown":
        return MEASURE_UNKNOWN
    if state not in ("yes", "no"):
        raise ValueError(f"evidence state {state!r} is none of 'yes', 'no' and 'unknown'")
    if model_says:
        return BOTH if state == "yes" else MODEL_ONLY
    return MEASURE_ONLY if state == "yes" else NEITHER


def agreements(frame: Entry, thresholds: Mapping[str, float] | None = None) -> dict[str, str]:
    """Agreement on every fault of one entry of frames.json; empty for a frame with an error.

    The model says yes where its confidence reaches the threshold, or, where thresholds are not
    known, where the fault is among the labels given.
    """
    if frame.get("error"):
        return {}
    return {
        key: agreement(
            model_says(key, frame["faults"], frame["confidence"], thresholds),
            frame["evidence"][key]["state"] if key in frame["evidence"] else "unknown",
        )
        for key in KEYS
    }


def tallies(
    frames: Sequence[Entry], thresholds: Mapping[str, float] | None = None
) -> dict[str, Tally]:
    """Counts and kappa per fault over all frames that could be read."""
    rows = [row for row in (agreements(frame, thresholds) for frame in frames) if row]
    return {key: _tally(key, [row[key] for row in rows]) for key in KEYS}


def disputes(
    frames: Sequence[Entry], thresholds: Mapping[str, float] | None = None
) -> list[Dispute]:
    """All disagreements, those first on which both sides are surest."""
    found = []
    for frame in frames:
        for key, said in agreements(frame, thresholds).items():
            if said in (MODEL_ONLY, MEASURE_ONLY):
                found.append(_dispute(frame, key, said))
    return sorted(found, key=lambda dispute: (-dispute.weight, dispute.path, dispute.fault))


def model_says(
    key: str,
    faults: Sequence[str],
    confidence: Mapping[str, float],
    thresholds: Mapping[str, float] | None,
) -> bool:
    """Whether the model alone says yes to a fault of a sub; a label may also rest on what was
    measured. Where thresholds are not known the sub's labels, `faults`, stand for its word."""
    if thresholds is None:
        return key in faults
    return confidence[key] >= thresholds[key]


def _tally(key: str, said: Sequence[str]) -> Tally:
    counts = {name: said.count(name) for name in AGREEMENTS}
    compared = [name for name in said if name != MEASURE_UNKNOWN]
    model = [name in (BOTH, MODEL_ONLY) for name in compared]
    measure = [name in (BOTH, MEASURE_ONLY) for name in compared]
    return Tally(key, counts, kappa(model, measure))


def kappa(first: Sequence[bool], second: Sequence[bool]) -> float:
    """Cohen's kappa of two yes/no opinions on the same frames: the share by which they agree
    more often than chance, of what chance leaves (Cohen 1960, Educ. Psychol. Meas. 20, 37).

    NaN for fewer than two frames, and where both give one and the same answer throughout:
    chance agrees fully too, and kappa is 0 / 0.
    """
    if len(first) < 2 or len({*first, *second}) < 2:
        return math.nan
    count = len(first)
    agreed = sum(a == b for a, b in zip(first, second, strict=True)) / count
    yes_first, yes_second = sum(first) / count, sum(second) / count
    by_chance = yes_first * yes_second + (1 - yes_first) * (1 - yes_second)
    return (agreed - by_chance) / (1 - by_chance)


def _dispute(frame: Entry, key: str, said: str) -> Dispute:
    evidence = frame["evidence"][key]
    confidence = float(frame["confidence"][key])
    sure = confidence if said == MODEL_ONLY else 1 - confidence
    return Dispute(
        path=frame["path"],
        fault=key,
        agreement=said,
        confidence=confidence,
        value=evidence["value"],
        unit=evidence["unit"],
        threshold=evidence["threshold"],
        weight=sure * _distance(evidence["value"], evidence["threshold"]),
        note=evidence.get("note") or "",
    )


def _distance(value: float | None, threshold: float | None) -> float:
    """How far a measured value is from its threshold: 0 on it, near 1 at twice or half of it."""
    if value is None or not threshold or not math.isfinite(value):
        return 0.5
    ratio = abs(math.log2(max(abs(value), 1e-9 * abs(threshold)) / abs(threshold)))
    return min(1.0, ratio)
