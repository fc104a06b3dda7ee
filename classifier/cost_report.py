"""What a night lost, to which fault, why and what to do: the first thing its report tells.

    costs_of(results)      # for the template: the costliest fault first

A sub that is dropped or waits for a look counts under each fault it was labelled with; kept subs
cost nothing here, whatever their faults.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from classifier.night_reading import PERHAPS_FROM, sureness
from classifier.remedies import remedy
from classifier.results import FrameResult, Results
from classifier.vocabulary import KEYS, Verdict, fault
from classifier.wording import capital, counted, duration

EFFECTS = {
    "spoils": "costs the sub",
    "calibrates": "calibration mends it",
    "depends": "depends on the run",
}
CAUSES = 2  # of a fault that are told in full; the course of the night has them all


@dataclass(frozen=True)
class Loss:
    """Subs of one verdict: how many, and how long they were exposed, "" where that is unknown."""

    count: int
    seconds: float | None

    @property
    def told(self) -> str:
        """ "3 subs (6 min)"."""
        hours = f" ({duration(self.seconds)})" if self.seconds else ""
        return counted(self.count, "sub") + hours


def loss(frames: Sequence[FrameResult]) -> Loss:
    """How many frames, and their exposure if every header tells it."""
    exposures = [frame.numbers.get("exposure_s") for frame in frames]
    known = [value for value in exposures if value is not None]
    return Loss(len(frames), sum(known) if len(known) == len(frames) else None)


def found_rows(results: Results) -> list[dict[str, Any]]:
    """A row for every fault that any sub was labelled with, the costliest first."""
    frames = [frame for frame in results.frames if not frame.error]
    rows = [_found(key, [f for f in frames if key in f.faults]) for key in KEYS]
    return sorted((row for row in rows if row["count"]), key=lambda row: row["rank"], reverse=True)


def _found(key: str, frames: Sequence[FrameResult]) -> dict[str, Any]:
    by_verdict = {
        verdict: loss([frame for frame in frames if frame.verdict == verdict])
        for verdict in Verdict
    }
    drop, look = by_verdict[Verdict.DROP], by_verdict[Verdict.LOOK]
    states = [frame.evidence.get(key, {}).get("state", "unknown") for frame in frames]
    row = fault(key)
    return {
        "key": key,
        "title": capital(row.title),
        "what": row.what,
        "effect": EFFECTS[row.effect],
        "count": len(frames),
        "drop": drop,
        "look": look,
        "keep": by_verdict[Verdict.KEEP],
        "rank": (drop.seconds or 0, drop.count, look.seconds or 0, look.count, len(frames)),
        "agree": states.count("yes"),
        "against": states.count("no"),
        "open": states.count("unknown"),
    }


def costs_of(results: Results) -> list[dict[str, Any]]:
    """Faults that cost subs, the costliest first, each with what the night tells of its cause."""
    return [
        {
            **row,
            "cost": _cost(row["drop"], row["look"]),
            "causes": _causes(results, row["key"]),
            "subs": [frame.path for frame in _costing(results, row["key"])],
            "possible": [cause.name for cause in remedy(row["key"]).causes],
        }
        for row in found_rows(results)
        if row["drop"].count or row["look"].count
    ]


def _costing(results: Results, key: str) -> list[FrameResult]:
    """The subs that a fault cost, the dropped ones first."""
    found = [
        frame
        for frame in results.frames
        if not frame.error and key in frame.faults and frame.verdict != Verdict.KEEP
    ]
    return sorted(found, key=lambda frame: frame.verdict != Verdict.DROP)


def _cost(drop: Loss, look: Loss) -> str:
    parts = []
    if drop.count:
        parts.append(f"{drop.told} dropped")
    if look.count:
        parts.append(f"{look.told} to look at")
    return ", ".join(parts)


def _causes(results: Results, key: str) -> list[dict[str, Any]]:
    """Causes that the course of a run makes at least possible, the likeliest first."""
    found = [
        {**cause, "run": reading["run"], "sure": sureness(cause["likelihood"])}
        for reading in results.readings
        for cause in reading["causes"]
        if cause["fault"] == key and cause["likelihood"] >= PERHAPS_FROM
    ]
    found.sort(key=lambda cause: -cause["likelihood"])
    return found[:CAUSES]


def nameless(results: Results) -> Loss:
    """Subs to look at that carry no label: model and measures differ, or the frame is strange."""
    return loss(
        [
            frame
            for frame in results.frames
            if not frame.error and frame.verdict != Verdict.KEEP and not frame.faults
        ]
    )
