"""What a measure says about one fault of one frame: a state, the number and where it was seen.

`yes` and `no` are given only where the number settles it; everything else is `unknown`, with a
note that says what is missing. A measure may count in another unit than the vocabulary does.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

YES, NO, UNKNOWN = "yes", "no", "unknown"


@dataclass(frozen=True)
class Evidence:
    """Evidence on one fault.

    state: "yes", "no" or "unknown". value: what was measured, in `unit`; None where nothing
    could be. threshold: the value from which the fault counts, None where there is none.
    where: geometry in pixels of the file's own array, first pixel centre at (0, 0): lines
    [x0, y0, x1, y1], discs [x, y, r], boxes [x0, y0, x1, y1], stars [x, y]. mistaken: with
    "no", that what looks like the fault was found and is something else. perhaps: places of what
    may be the fault and settles nothing, the likeliest first, to be shown where the model says
    that the fault is there; nothing else may go by them. sure: with "yes", that nothing else looks
    so: the label is given whatever the model says.
    """

    state: str
    value: float | None
    unit: str
    threshold: float | None
    note: str = ""
    where: list = field(default_factory=list)
    mistaken: bool = False
    perhaps: list = field(default_factory=list)
    sure: bool = False

    def __post_init__(self) -> None:
        if self.state not in (YES, NO, UNKNOWN):
            raise ValueError(
                f"evidence state {self.state!r} is none of 'yes', 'no' and 'unknown'; use one"
            )


def unknown(unit: str, threshold: float | None, note: str, value: float | None = None) -> Evidence:
    """Evidence that settles nothing, with the reason."""
    return Evidence(UNKNOWN, value, unit, threshold, note)


def evidence_of(entry: Mapping[str, Any]) -> Evidence:
    """Evidence from its written form."""
    return Evidence(
        entry["state"], entry["value"], entry["unit"], entry["threshold"], entry.get("note", "")
    )
