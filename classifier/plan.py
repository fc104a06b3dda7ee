"""The cull decided by what it does to the stack: how many subs to keep, for which aim, at what
cost.

    plans = plan_night(read_results(folder))
    plans[0].recommended["depth"].kept, plans[0].curves["depth"].stacks

Per run, subs are put in order of what each gives for an aim, and stacks of the best one, two, ...
are compared. The aims are signal-to-noise ratios of three things in the stack:

    depth       a faint star
    both        a pattern of light and dark with a period of two star widths
    sharpness   one with a period of 1.33 star widths

The finer the pattern, the more a wide sub dilutes it. One more sub of equal noise helps a large,
equally weighted stack as long as it adds at least half of what a good sub adds to the signal: up to
1.73, 1.33 and 1.16 times the good width. Noise alone counts against a sub from 1.41 times the good
noise on (`stacking.noise_limit`). A sub that `label` dropped may well be kept here, and the other
way round.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import compress

import numpy as np

from classifier.clipping import ghost_snr, line_gain, subs_needed
from classifier.facts import Facts
from classifier.lost_light import EXTINCTION_MAG
from classifier.reference import airmass, credible, low_tenth
from classifier.results import FrameResult, Results
from classifier.stacking import (
    Stack,
    Subs,
    contrast,
    covariances,
    depth_weights,
    detail_in_turn,
    detail_weights,
    noise_weights,
    overlaps,
    stacked,
    stacked_in_turn,
)
from classifier.vocabulary import Verdict, fault
from classifier.weighable import weighable

Array = np.ndarray

# Cycles per good FWHM that an aim looks at; 0 stands for a star.
AIMS: dict[str, float] = {"depth": 0.0, "both": 0.5, "sharpness": 0.75}
WORTH_MAG = 0.005  # less gain than this is no reason to throw a sub away
CLIP_SIGMA = 3.0


@dataclass(frozen=True)
class Curve:
    """Stacks of equal weights along one order of subs.

    order: (n,) indices of the run's subs, the most useful first. stacks[k - 1] is that of the
    first k; score_mag (n,): the aim's signal-to-noise in magnitudes, up to a constant.
    """

    aim: str
    order: Array
    stacks: list[Stack]
    score_mag: Array


@dataclass(frozen=True)
class Cut:
    """A choice: how many subs are kept, the stack of them, and what it costs or gains against
    keeping all with equal weights (magnitudes deeper; width ratio)."""

    kept: int
    stack: Stack
    deeper_mag: float
    width_ratio: float


@dataclass(frozen=True)
class Trail:
    """A trail in one sub and its ghost in the stack of the subs kept for depth.

    snr: over its length, in the sub; ghost_snr: in the stack after one clipping pass; clean_from:
    number of subs from which on the ghost lies below the level a trail counts from, None if over
    2000.
    """

    name: str
    snr: float
    peak_sigma: float
    ghost_snr: float
    clean_from: int | None


@dataclass(frozen=True)
class RunPlan:
    """The plan of one run. `names` are its subs in the order of `subs` and of all indices."""

    run: str
    names: list[str]
    verdicts: list[str]
    subs: Subs
    left_out: list[tuple[str, str]]
    assumed: list[str]
    curves: dict[str, Curve]
    recommended: dict[str, Cut]
    everything: Cut
    as_labelled: Cut | None
    weighted: Cut
    weights: dict[str, Array]
    trails: list[Trail]
    clip_sigma: float

    def kept_names(self, aim: str) -> list[str]:
        chosen = self.curves[aim].order[: self.recommended[aim].kept]
        return [self.names[i] for i in sorted(chosen)]


def plan_night(
    results: Results, clip_sigma: float = CLIP_SIGMA, least_subs: int = 1
) -> list[RunPlan]:
    """A plan for every run of at least so many measured subs, in order of appearance."""
    runs: dict[str, list[FrameResult]] = {}
    for frame in results.frames:
        if not frame.error:
            runs.setdefault(frame.run, []).append(frame)
    plans = (
        plan_run(run, frames, clip_sigma)
        for run, frames in runs.items()
        if len(frames) >= least_subs
    )
    return [plan for plan in plans if plan is not None and len(plan.names) >= least_subs]


def plan_run(
    run: str, frames: Sequence[FrameResult], clip_sigma: float = CLIP_SIGMA
) -> RunPlan | None:
    """The plan of one run; None if none of its subs could be measured."""
    usable, left_out = weighable(frames)
    if not usable:
        return None
    subs, assumed = _as_subs(usable)
    good_px = _good_px(usable)
    curves = {aim: _curve(aim, subs, cycles / good_px) for aim, cycles in AIMS.items()}
    equal = np.ones(len(subs))
    everything = stacked(subs, equal)
    cuts = {aim: _cut(_best(curve), everything) for aim, curve in curves.items()}
    labelled = np.array([frame.verdict != Verdict.DROP for frame in usable])
    as_labelled = None
    if labelled.any():
        as_labelled = _cut(
            (int(labelled.sum()), stacked(subs[labelled], equal[labelled])), everything
        )
    weights = _weights(subs, good_px)
    weighted = _cut((len(subs), stacked(subs, weights["depth"])), everything)
    return RunPlan(
        run=run,
        names=[frame.path for frame in usable],
        verdicts=[str(frame.verdict) for frame in usable],
        subs=subs,
        left_out=left_out,
        assumed=assumed,
        curves=curves,
        recommended=cuts,
        everything=_cut((len(subs), everything), everything),
        as_labelled=as_labelled,
        weighted=weighted,
        weights=weights,
        trails=_trails(usable, cuts["depth"].kept, clip_sigma),
        clip_sigma=clip_sigma,
    )


def weigh(frames: Sequence[FrameResult]) -> None:
    """Put the weights of one run's subs into its results, as its plan has them."""
    usable, _ = weighable([frame for frame in frames if not frame.error])
    if not usable:
        return
    weights = _weights(_as_subs(usable)[0], _good_px(usable))
    for number, frame in enumerate(usable):
        frame.weights = {name: float(each[number]) for name, each in weights.items()}


def _good_px(frames: Sequence[FrameResult]) -> float:
    numbers = [frame.numbers for frame in frames]
    return low_tenth([one["fwhm_px"] for one in compress(numbers, credible(numbers))])


def _weights(subs: Subs, good_px: float) -> dict[str, Array]:
    """(n,) weights by noise alone and for each aim, the best sub's being 1."""
    return {"noise": noise_weights(subs)} | {
        aim: detail_weights(subs, cycles / good_px) if cycles else depth_weights(subs)
        for aim, cycles in AIMS.items()
    }


def _as_subs(frames: Sequence[FrameResult]) -> tuple[Subs, list[str]]:
    """Noise on a common scale of star light, star shapes and exposures; and what was assumed."""
    assumed = []
    losses = [_lost_mag(frame.evidence.get("clouds", {})) for frame in frames]
    if len(frames) > 1 and any(loss is None for loss in losses):
        assumed.append("light lost to cloud or haze is unknown in some subs and taken as none")
    air = np.array([airmass(Facts(altitude_deg=_number(f, "altitude_deg"))) for f in frames])
    lost_mag = np.array([loss or 0.0 for loss in losses]) + EXTINCTION_MAG * (air - air.min())
    exposures = [_number(frame, "exposure_s") for frame in frames]
    if any(seconds is None for seconds in exposures):
        assumed.append("exposure times are unknown in some subs and taken as equal")
    usual = [seconds for seconds in exposures if seconds] or [1.0]
    noise = np.array([frame.numbers["noise_adu"] for frame in frames])
    shape = covariances(
        np.array([frame.numbers["fwhm_px"] for frame in frames]),
        np.array([_number(frame, "elongation") or 1.0 for frame in frames]),
        np.array([_number(frame, "angle_deg") or 0.0 for frame in frames]),
    )
    seconds = np.array([each or usual[0] for each in exposures])
    return Subs(noise * 10 ** (0.4 * lost_mag), shape, seconds), assumed


def _lost_mag(clouds: Mapping) -> float | None:
    """Light lost to cloud in magnitudes. Fewer stars in a soft sub are no measured loss: its width
    counts against it already."""
    return None if clouds.get("state") == "unknown" else _value(clouds.get("value"))


def _curve(aim: str, subs: Subs, cycles_per_px: float) -> Curve:
    if cycles_per_px == 0:
        # Alone, a sub shows a faint star the better the less noise lies under it.
        use = np.sqrt(overlaps(subs).diagonal()) / subs.noise
    else:
        use = np.exp(np.log(contrast(subs, cycles_per_px)).mean(1)) / subs.noise
    order = np.argsort(-use, kind="stable")
    stacks = stacked_in_turn(subs[order])
    if cycles_per_px == 0:
        score = np.array([stack.depth_mag for stack in stacks])
    else:
        score = detail_in_turn(subs[order], cycles_per_px)
    return Curve(aim, order, stacks, score)


def _best(curve: Curve) -> tuple[int, Stack]:
    """The most subs that come within a trifle of the best score."""
    near = np.nonzero(curve.score_mag >= curve.score_mag.max() - WORTH_MAG)[0]
    return int(near[-1]) + 1, curve.stacks[int(near[-1])]


def _cut(choice: tuple[int, Stack], everything: Stack) -> Cut:
    kept, stack = choice
    deeper = stack.depth_mag - everything.depth_mag
    return Cut(kept, stack, deeper, stack.fwhm_px / everything.fwhm_px)


def _trails(frames: Sequence[FrameResult], subs: int, clip_sigma: float) -> list[Trail]:
    harmless = fault("trail").counts_from
    trails = []
    for frame in frames:
        evidence: Mapping = frame.evidence.get("trail", {})
        snr = _value(evidence.get("value"))
        lines = frame.where.get("trail") or []
        # A trail that the model alone sees has no measured strength to reckon with.
        seen = harmless if "trail" not in frame.faults else fault("trail").clean_below
        if snr is None or not lines or snr < seen:
            continue
        length = max(math.hypot(x1 - x0, y1 - y0) for x0, y0, x1, y1 in lines)
        gain = line_gain(max(length, 1.0), frame.numbers["fwhm_px"])
        trails.append(
            Trail(
                name=frame.path,
                snr=snr,
                peak_sigma=snr / gain,
                ghost_snr=ghost_snr(snr, gain, subs, clip_sigma),
                clean_from=subs_needed(snr, gain, clip_sigma, harmless),
            )
        )
    return sorted(trails, key=lambda trail: -trail.ghost_snr)


def _number(frame: FrameResult, key: str) -> float | None:
    return _value(frame.numbers.get(key))


def _value(value: object) -> float | None:
    return float(value) if isinstance(value, int | float) and math.isfinite(value) else None
