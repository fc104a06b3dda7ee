"""What a night lost, to which fault, why and what to do: the first thing its report tells.

    costs_of(results)      # for the template: the costliest fault first

A sub that is dropped or waits for a look counts under each of its labels that can be the reason:
what darks, flats or dithering mend takes no sub from a stack. Kept subs cost nothing here, whatever
their faults.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from classifier.evidence import evidence_of
from classifier.night_reading import causes_told, headed, sureness
from classifier.opinion import is_reached, same_light
from classifier.remedies import remedy
from classifier.results import FrameResult, Results
from classifier.verdict import costs_sub
from classifier.vocabulary import KEYS, Verdict, fault
from classifier.wording import capital, counted, duration

EFFECTS = {
    "spoils": "costs the sub",
    "calibrates": "calibration mends it",
    "depends": "depends on the run",
}
# Reasons where there is no better one: a gradient drops a sub by its noise alone, a reflection asks
# for a look.
SECOND_REASONS = ("gradient", "reflection")
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


def reasons(frame: FrameResult, run_size: int) -> tuple[str, ...]:
    """The labels that can be why a sub of a run of this size is not kept; () for a kept one."""
    if frame.verdict == Verdict.KEEP:
        return ()
    first = tuple(key for key in frame.faults if costs_sub(key, run_size))
    return first or tuple(key for key in frame.faults if key in SECOND_REASONS)


def subs_lost(results: Results) -> dict[str, list[FrameResult]]:
    """Of every fault the subs that it cost, the dropped ones first; "" for those without a label
    that can be the reason."""
    frames = [frame for frame in results.frames if not frame.error]
    size = Counter(frame.run for frame in frames)
    found: dict[str, list[FrameResult]] = {}
    for verdict in (Verdict.DROP, Verdict.LOOK):
        for frame in (frame for frame in frames if frame.verdict == verdict):
            for key in reasons(frame, size[frame.run]) or ("",):
                found.setdefault(key, []).append(frame)
    return found


def found_rows(results: Results) -> list[dict[str, Any]]:
    """A row for every fault that any sub was labelled with, the costliest first."""
    frames = [frame for frame in results.frames if not frame.error]
    lost = subs_lost(results)
    rows = [_found(key, [f for f in frames if key in f.faults], lost.get(key, [])) for key in KEYS]
    return sorted((row for row in rows if row["count"]), key=lambda row: row["rank"], reverse=True)


def _of_verdicts(frames: Sequence[FrameResult]) -> dict[Verdict, Loss]:
    return {
        verdict: loss([frame for frame in frames if frame.verdict == verdict])
        for verdict in Verdict
    }


def _found(key: str, frames: Sequence[FrameResult], lost: Sequence[FrameResult]) -> dict[str, Any]:
    """frames: labelled with the fault; lost: of these, those that it cost."""
    by_verdict, by_cost = _of_verdicts(frames), _of_verdicts(lost)
    drop, look = by_cost[Verdict.DROP], by_cost[Verdict.LOOK]
    states = [_state(key, frame) for frame in frames]
    row = fault(key)
    return {
        "key": key,
        "title": capital(row.title),
        "what": row.what,
        "effect": EFFECTS[row.effect],
        "count": len(frames),
        "drop": by_verdict[Verdict.DROP],
        "look": by_verdict[Verdict.LOOK],
        "keep": by_verdict[Verdict.KEEP],
        "cost": _cost(drop, look),
        "subs": [frame.path for frame in lost],
        "rank": (drop.seconds or 0, drop.count, look.seconds or 0, look.count, len(frames)),
        "agree": states.count("yes"),
        "against": states.count("no"),
        "seen": states.count("seen"),
        "open": states.count("unknown"),
    }


def _state(key: str, frame: FrameResult) -> str:
    """What the measures say of a fault, "seen" where its cause alone is open; of faults that are
    the same light one yes is enough."""
    states = {k: frame.evidence.get(k, {}).get("state", "unknown") for k in same_light(key)}
    if "yes" in states.values():
        return "yes"
    found = frame.evidence.get(key)
    if states[key] == "unknown" and found and is_reached(key, evidence_of(found)):
        return "seen"
    return states[key]


def costs_of(results: Results) -> list[dict[str, Any]]:
    """Faults that cost subs, the costliest first, each with what the night tells of its cause."""
    return [
        {
            **row,
            "causes": _causes(results, row["key"]),
            "possible": [cause.name for cause in remedy(row["key"]).causes],
        }
        for row in found_rows(results)
        if row["cost"]
    ]


def _cost(drop: Loss, look: Loss) -> str:
    parts = []
    if drop.count:
        parts.append(f"{drop.told} dropped")
    if look.count:
        parts.append(f"{look.told} to look at")
    return ", ".join(parts)


def _causes(results: Results, key: str) -> list[dict[str, Any]]:
    """Causes that the course of a run makes at least possible, the likeliest first, each once."""
    found = [
        {**cause, "run": headed(reading), "sure": sureness(cause["likelihood"])}
        for reading, cause in causes_told(results.readings)
        if cause["fault"] == key
    ]
    found.sort(key=lambda cause: -cause["likelihood"])
    first: dict[str, dict[str, Any]] = {}
    for cause in found:
        first.setdefault(cause["cause"], cause)
    return list(first.values())[:CAUSES]


def nameless(results: Results) -> Loss:
    """Subs without a label that can be the reason why they are not kept: model and measures differ,
    or the frame is strange."""
    return loss(subs_lost(results).get("", []))
