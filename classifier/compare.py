"""`nightcull compare`: model against measures over a labelled night, from its frames.json.

The counting itself is in `crosscheck`; this reads the results and prepares what people see. With
a truth table (`truth`) both are also scored against what is true (`scores`).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from classifier.crosscheck import (
    BOTH,
    MEASURE_ONLY,
    MODEL_ONLY,
    Dispute,
    Tally,
    disputes,
    tallies,
)
from classifier.errors import ModelError, UsageError
from classifier.results import FrameResult, Results, read_results
from classifier.vocabulary import fault
from classifier.wording import counted, percent, quantity

if TYPE_CHECKING:
    from classifier.scores import Scores


@dataclass(frozen=True)
class Comparison:
    """Agreement per fault, in the vocabulary's order; disputes, the strongest first. thresholds:
    confidence from which the model gives each label, None if the model is not at hand. scores:
    both against the truth, None without it."""

    results: Results
    tallies: list[Tally]
    disputes: list[Dispute]
    thresholds: Mapping[str, float] | None = None
    scores: "Scores | None" = None
    read: list[FrameResult] = field(default_factory=list)

    @property
    def frames(self) -> int:
        return len(self.read)

    @property
    def disputed_frames(self) -> int:
        return len({dispute.path for dispute in self.disputes})


def compare(
    folder: Path, against: Path | None = None, model: str | Path | None = None
) -> Comparison:
    """Compare the opinions in a results folder.

    against: truth table (see `truth.read_truth`). model: name or folder of the model that made
    the results; None = looked for by the name they give. Raises UsageError if there is nothing to
    compare, the table cannot be used, or `model` is not the one that made them.
    """
    results = read_results(folder)
    read = [frame for frame in results.frames if not frame.error]
    entries = [frame.as_json() for frame in read]
    thresholds = thresholds_of(results, model)
    scores = None
    if against is not None:
        from classifier.scores import score
        from classifier.truth import read_truth

        table = read_truth(against, [frame.path for frame in results.frames])
        scores = score(read, table, thresholds)
    return Comparison(
        results,
        list(tallies(entries, thresholds).values()),
        disputes(entries, thresholds),
        thresholds,
        scores,
        read,
    )


def thresholds_of(results: Results, model: str | Path | None = None) -> dict[str, float] | None:
    """The thresholds that the results were made with, those of their prior; None if their model
    is not at hand."""
    name, wanted = results.made_with.get("model"), results.made_with.get("model_sha256")
    if model is None and not name:
        return None
    from classifier.weights import load_model

    try:
        loaded = load_model(model if model is not None else name)
    except ModelError:
        if model is not None:
            raise
        return None
    if loaded.sha256 == wanted:
        return dict(loaded.with_prior(results.prior).thresholds)
    if model is None:
        return None
    raise UsageError(
        f"The model {loaded.name} did not make these results; leave --model out or name "
        f"{name or 'the one that did'}."
    )


def agreement(comparison: Comparison) -> str:
    """How far model and measures agree, in two sentences."""
    counts = [
        sum(tally.counts[name] for tally in comparison.tallies)
        for name in (BOTH, MODEL_ONLY, MEASURE_ONLY)
    ]
    if not any(counts):
        return f"Neither model nor measures find a fault in {counted(comparison.frames, 'sub')}."
    both, model, measure = (counted(count, "time") for count in counts)
    return (
        f"Model and measures name the same fault of a sub {both}, the model alone {model}, the "
        f"measure alone {measure}. They dispute "
        f"{comparison.disputed_frames} of {counted(comparison.frames, 'sub')}."
    )


def is_told(tally: Tally) -> bool:
    """Whether model or measure names the fault anywhere."""
    return any(tally.counts[name] for name in (BOTH, MODEL_ONLY, MEASURE_ONLY))


def told(dispute: Dispute) -> str:
    """A dispute in words: who says what, with both numbers."""
    title = fault(dispute.fault).title
    value = "" if dispute.value is None else quantity(dispute.value, dispute.unit)
    level = "" if dispute.threshold is None else f", counts from {quantity(dispute.threshold, '')}"
    if dispute.agreement == MODEL_ONLY:
        return f"the model says {title} ({percent(dispute.confidence)}), measured {value}{level}"
    return f"measured {title} ({value}{level}), the model {percent(dispute.confidence)}"


def by_frame(found: Sequence[Dispute]) -> dict[str, list[Dispute]]:
    """Disputes gathered by frame, the frame with the strongest one first."""
    frames: dict[str, list[Dispute]] = {}
    for dispute in found:
        frames.setdefault(dispute.path, []).append(dispute)
    return frames
