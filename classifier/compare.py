"""`nightcull compare`: model against measures over a labelled night, from its frames.json.

The counting itself is in `crosscheck`; this reads the results and prepares what people see.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from classifier.crosscheck import MODEL_ONLY, Dispute, Tally, disputes, tallies
from classifier.results import read_results
from classifier.vocabulary import fault
from classifier.wording import percent, quantity


@dataclass(frozen=True)
class Comparison:
    """Agreement per fault, in the vocabulary's order; disputes, the strongest first."""

    frames: int
    tallies: list[Tally]
    disputes: list[Dispute]

    @property
    def disputed_frames(self) -> int:
        return len({dispute.path for dispute in self.disputes})


def compare(folder: Path) -> Comparison:
    """Compare the opinions in a results folder. UsageError if there are none to compare."""
    entries = [frame.as_json() for frame in read_results(folder).frames if not frame.error]
    return Comparison(len(entries), list(tallies(entries).values()), disputes(entries))


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
