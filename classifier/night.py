"""A labelled night in a few numbers, and what has to be said of it first.

Used by the terminal summary and by the report, so that both say the same.
"""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from classifier.calibration_text import is_trouble
from classifier.night_reading import headed
from classifier.results import FrameResult, Results
from classifier.verdict import UNFAMILIAR_WHY, WIDESPREAD_FROM
from classifier.vocabulary import KEYS, Effect, Verdict, fault
from classifier.wording import capital, counted

UNFAMILIAR_SHARE = 0.5  # from this share of unfamiliar subs on, the rig and not the sub is strange


@dataclass(frozen=True)
class Share:
    """The frames of one verdict: how many, and their exposure (None if any is unknown)."""

    count: int
    exposure_s: float | None


@dataclass(frozen=True)
class Summary:
    """`faults`: (key, number of frames), most frequent first. `findings`: sentences, most
    important first; empty on an ordinary night."""

    frames: int
    keep: Share
    look: Share
    drop: Share
    unreadable: int
    skipped: int
    runs: int
    faults: list[tuple[str, int]]
    findings: list[str]


def summarise(results: Results) -> Summary:
    """Count a night."""
    frames = [frame for frame in results.frames if not frame.error]
    shares = {
        verdict: _share([frame for frame in frames if frame.verdict == verdict])
        for verdict in Verdict
    }
    counts = Counter(key for frame in frames for key in frame.faults)
    return Summary(
        frames=len(frames),
        keep=shares[Verdict.KEEP],
        look=shares[Verdict.LOOK],
        drop=shares[Verdict.DROP],
        unreadable=len(results.unreadable),
        skipped=len(results.skipped),
        runs=len({frame.run for frame in frames}),
        faults=sorted(counts.items(), key=lambda item: (-item[1], KEYS.index(item[0]))),
        findings=[*_findings(frames), *_masters(results)],
    )


def severity(frame: FrameResult) -> float:
    """How much a frame deserves to be looked at: dropped first, then the surest fault."""
    base = {Verdict.DROP: 2.0, Verdict.LOOK: 1.0, Verdict.KEEP: 0.0}[Verdict(frame.verdict)]
    spoiling = [
        value
        for key, value in frame.confidence.items()
        if fault(key).effect is not Effect.CALIBRATES
    ]
    return base + max(spoiling, default=0.0)


def _masters(results: Results) -> Iterable[str]:
    """Masters that do not serve their run, which is told where there are several."""
    for reading in results.readings:
        where = f"{headed(reading)}: " if len(results.readings) > 1 else ""
        yield from (where + text for text in reading.get("calibration", []) if is_trouble(text))


def _share(frames: Sequence[FrameResult]) -> Share:
    exposures = [frame.numbers.get("exposure_s") for frame in frames]
    known = [value for value in exposures if value is not None]
    return Share(len(frames), sum(known) if len(known) == len(frames) else None)


def _findings(frames: Sequence[FrameResult]) -> Iterable[str]:
    by_run: dict[str, list[FrameResult]] = {}
    for frame in frames:
        by_run.setdefault(frame.run, []).append(frame)
    for run, members in by_run.items():
        if len(members) < WIDESPREAD_FROM:
            continue
        where = f" of {run}" if len(by_run) > 1 else ""
        for key in KEYS:
            row = fault(key)
            count = sum(key in frame.faults for frame in members)
            if 2 * count <= len(members) or row.effect is Effect.CALIBRATES:
                continue
            told = f"{capital(row.title)} in {count} of {counted(len(members), 'sub')}{where}"
            if row.effect is Effect.SPOILS:
                told += ": the whole run suffers, so its subs are ranked instead of dropped"
            yield told + "."
    strange = sum(frame.why == UNFAMILIAR_WHY for frame in frames)
    if len(frames) >= WIDESPREAD_FROM and strange >= UNFAMILIAR_SHARE * len(frames):
        yield (
            f"{strange} of {counted(len(frames), 'frame')} are unlike the skies the model was "
            "trained on: trust the measures more than the labels tonight."
        )
