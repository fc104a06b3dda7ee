"""The frames of one run held against one another: what a single frame cannot tell.

    keys = [run_key(facts, shape) for ...]
    evidence = judge_runs(frames, keys)

Good is what the best tenth of the run shows, widths divided by airmass^0.6 where the altitude is
known; where the scale is known too, good is never wider than poor seeing makes stars, so that a
night out of focus throughout does not become its own norm. Runs of five frames or fewer keep the
evidence of the single frames.
"""

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from classifier.context import in_order
from classifier.evidence import NO, UNKNOWN, YES, Evidence, unknown
from classifier.facts import Facts
from classifier.fixed_lines import without_fixed
from classifier.lost_light import COUNT_SLOPE, light_lost_in
from classifier.measures import explanation
from classifier.reference import (
    Member,
    Reference,
    at_zenith,
    common_shape,
    inner_shape,
    reference_of,
)
from classifier.shapes import elongation_of
from classifier.star_evidence import LOPSIDED
from classifier.star_match import Loss
from classifier.vocabulary import fault

FEW = 5
PATCHY_MAG = 0.15  # rms over the frame, from which a veil counts however thin it is on the whole
# Elongation from which a star's light reaches beyond the four sigma that it is summed within.
LIES_APART = 2.0
LEAST_COUNTED = 50  # stars in a run's fullest subs, from which fewer of them tell of cloud
RELATIVE = ("defocus", "bloated_stars", "clouds", "low_signal", "vibration", "drift")
# 2 x HFR / FWHM against the run's sharp frames. Poor seeing keeps the form, a disc seen through
# seeing is flatter: defocus that adds 60 % to the HFR lowers it to 0.88 of the sharp value, with
# and without an obstruction (galsim, Kolmogorov seeing of 3 px).
FLATTER, SAME_FORM = 0.90, 0.95
# Dew and thin haze leave the core of a star as narrow as it was and put light far out: 2 x HFR /
# FWHM over the run's by a share, and by more than its frames differ. No width tells how much.
WINGED, WINGED_SIGMA = 1.02, 5.0


def run_key(facts: Facts, shape: tuple[int, ...]) -> str:
    """ "target | filter | exposure | camera | binning | gain"; a question mark where unknown.

    Frames of different size never share a run: where the camera is unknown its place is taken
    by the size, else the size is told apart by the binning.
    """
    size = f"{shape[-1]} x {shape[-2]}"
    exposure = "?" if facts.exposure_s is None else f"{facts.exposure_s:g} s"
    gain = facts.gain_setting if facts.gain_setting is not None else facts.gain_e_adu
    camera = f"{facts.camera} {size}" if facts.camera else size
    parts = (
        facts.target,
        facts.filter,
        exposure,
        camera,
        None if facts.binning is None else f"bin {facts.binning}",
        None if gain is None else f"gain {gain:g}",
    )
    return " | ".join("?" if part is None else str(part).strip() or "?" for part in parts)


def judge_runs(frames: Sequence[Member], keys: Sequence[str]) -> list[dict[str, Evidence]]:
    """Evidence of every frame, relative to its run where the run has more than five frames.

    frames: facts and measures; keys: the run of each. The order of the answer is that of
    `frames`; nothing given is changed.
    """
    if len(frames) != len(keys):
        raise ValueError(f"{len(frames)} frames but {len(keys)} run keys; give one key per frame")
    judged = [dict(measures.evidence) for _, measures in frames]
    for key in dict.fromkeys(keys):
        members = [i for i, other in enumerate(keys) if other == key]
        if len(members) <= FEW:
            for i in members:
                judged[i] = _by_itself(judged[i], len(members))
            continue
        run = [frames[i] for i in members]
        for i, evidence in zip(members, _judge_run(run), strict=True):
            judged[i] |= evidence
    return judged


def _by_itself(evidence: dict[str, Evidence], count: int) -> dict[str, Evidence]:
    """Single-frame evidence with a note that the run is too short to compare with."""
    told = "the only frame of its run" if count == 1 else f"one of only {count} frames of its run"
    marked = dict(evidence)
    for key in RELATIVE:
        if key in marked:
            note = "; ".join(
                part for part in (marked[key].note, f"judged by itself: {told}") if part
            )
            marked[key] = replace(marked[key], note=note)
    return marked


def _judge_run(run: Sequence[Member]) -> list[dict[str, Evidence]]:
    reference = reference_of(run)
    losses = light_lost_in(run)
    order = time_order([facts for facts, _ in run])
    trails = without_fixed([measures.evidence["trail"] for _, measures in run])
    judged: list[dict[str, Evidence]] = []
    for index, member in enumerate(run):
        evidence = dict(member[1].evidence)
        evidence |= _elongated(index, run, order, reference, evidence)
        evidence |= _soft(member, reference, evidence)
        evidence["clouds"] = _clouds(member, losses[index], reference, evidence)
        evidence["trail"] = trails[index]
        evidence["low_signal"] = _low_signal(member, reference, evidence)
        judged.append(evidence)
    return judged


def _soft(
    member: Member, reference: Reference, evidence: dict[str, Evidence]
) -> dict[str, Evidence]:
    """Defocus and bloated stars by size against the run; form decides between them."""
    facts, measures = member
    numbers = measures.numbers
    rows = {key: fault(key) for key in ("defocus", "bloated_stars")}
    hfr = at_zenith(numbers.get("hfr_px"), facts) / reference.hfr_px
    fwhm = at_zenith(numbers.get("fwhm_px"), facts) / reference.fwhm_px
    if not (math.isfinite(hfr) and math.isfinite(fwhm)):
        return {}

    def said(key: str, state: str, note: str = "") -> Evidence:
        value = hfr if key == "defocus" else fwhm
        told = "; ".join(part for part in (note, reference.note) if part)
        return Evidence(state, value, rows[key].unit, rows[key].counts_from, told)

    ring = evidence["defocus"].state == YES
    if ring:
        return {
            "defocus": said("defocus", YES, "stars have a hole"),
            "bloated_stars": said("bloated_stars", NO, "defocus explains the width"),
        }
    wide = fwhm >= rows["bloated_stars"].counts_from
    large = hfr >= rows["defocus"].counts_from
    form = numbers.get("concentration", math.nan) / reference.concentration
    if not wide and not large:
        least = max(WINGED, 1 + WINGED_SIGMA * reference.form_scatter / reference.concentration)
        note = "narrow cores with more light about them than the run's other stars: haze or dew"
        state, note = (UNKNOWN, note) if form >= least else (NO, "")
        return {
            "defocus": said("defocus", NO),
            "bloated_stars": said("bloated_stars", state, note),
        }
    cause = explanation(
        {k: e for k, e in evidence.items() if k != "defocus"} | {"defocus": said("defocus", NO)},
        elongation_of(*inner_shape(measures)),
        numbers.get("angle_coherence", math.nan),
    )
    if cause:
        return {key: said(key, NO, f"{cause} explains the width") for key in rows}
    if large and form <= FLATTER:
        return {
            "defocus": said("defocus", YES, "stars are flat discs"),
            "bloated_stars": said("bloated_stars", NO, "defocus explains the width"),
        }
    if form >= SAME_FORM:
        return {
            "defocus": said("defocus", NO, "large, but peaked as in poor seeing"),
            "bloated_stars": said("bloated_stars", YES if wide else NO),
        }
    note = "slight defocus and swollen stars look alike here"
    return {
        "defocus": said("defocus", UNKNOWN if large else NO, note),
        "bloated_stars": said("bloated_stars", UNKNOWN if wide else NO, note),
    }


def _elongated(
    index: int,
    run: Sequence[Member],
    order: Sequence[int],
    reference: Reference,
    evidence: dict[str, Evidence],
) -> dict[str, Evidence]:
    """Drift keeps its direction from sub to sub; a vibration differs from its neighbours."""
    drift, vibration = evidence["drift"], evidence["vibration"]
    # Without a value there were too few stars to see whether they are stretched at all.
    if drift.state != UNKNOWN or vibration.state != UNKNOWN or drift.value is None:
        return {}
    mine = np.array(common_shape(run[index][1]))
    if not np.isfinite(mine).all():
        return {}
    place = order.index(index)
    near = [order[k] for k in range(max(0, place - 3), min(len(order), place + 4)) if k != place]
    others = np.array([common_shape(run[k][1]) for k in near])
    others = others[np.isfinite(others).all(1)]
    if len(others) < 3:
        return {}
    size = float(np.hypot(*mine))
    # How much of this star's stretch its neighbours share, along the same direction.
    shared = float(np.median(others @ mine)) / size**2
    if shared >= 0.5:
        note = "the neighbouring subs are stretched the same way"
        steady = {
            "drift": replace(drift, state=YES, note=note),
            "vibration": replace(vibration, state=NO, note=note),
        }
        if run[index][1].form.get("asymmetry", 0.0) > LOPSIDED:
            return steady  # one axis pushed to one side in every sub: guiding is left open
        return steady | {"guiding_loss": replace(evidence["guiding_loss"], state=NO, note=note)}
    if shared <= 0.25:
        note = "the neighbouring subs are not stretched this way"
        return {
            "drift": replace(drift, state=NO, note=note),
            "vibration": replace(vibration, state=YES, note=note),
        }
    return {}


def _lies_apart(member: Member, evidence: dict[str, Evidence]) -> bool:
    """Whether the light of every star lies apart, so that a part of it is not summed with it."""
    if evidence["guiding_loss"].state == YES:
        return True
    long = member[1].numbers.get("elongation", math.nan) >= LIES_APART
    return long and any(evidence[key].state == YES for key in ("drift", "vibration"))


def _clouds(
    member: Member, loss: Loss | None, reference: Reference, evidence: dict[str, Evidence]
) -> Evidence:
    row = fault("clouds")
    count = member[1].numbers.get("star_count", math.nan)
    by_count = math.nan
    if math.isfinite(count) and reference.star_count >= LEAST_COUNTED:
        by_count = -math.log10(max(count, 1.0) / reference.star_count) / COUNT_SLOPE
    far_fewer = by_count >= 2 * row.counts_from
    if loss is not None:
        # Patchiness counts from 0.15 mag rms; it is told on the scale of the mean loss.
        patchy = loss.patchy_mag * row.counts_from / PATCHY_MAG
        value = max(loss.mean_mag, patchy, 0.0)
        note = f"{loss.matched} stars, uneven by {loss.patchy_mag:.2f} mag rms"
        if value >= row.counts_from > patchy and _lies_apart(member, evidence):
            note = f"{note}: as even as what stars lose that are drawn out"
            return unknown(row.unit, row.counts_from, note, value)
        if value < row.counts_from and far_fewer:
            note = f"{note}, but far fewer stars than in its run: a brighter sky, or files scaled"
            return unknown(row.unit, row.counts_from, note, value)
        state = YES if value >= row.counts_from else NO
        return Evidence(state, value, row.unit, row.counts_from, note)
    if not math.isfinite(by_count):
        return unknown(row.unit, row.counts_from, "too few stars in this run to compare")
    if by_count < row.counts_from:
        return Evidence(NO, max(by_count, 0.0), row.unit, row.counts_from, "from star counts")
    soft = any(evidence[k].state == YES for k in ("defocus", "guiding_loss", "drift"))
    if soft or not far_fewer:
        return unknown(row.unit, row.counts_from, "fewer stars than in its run", by_count)
    return Evidence(YES, by_count, row.unit, row.counts_from, "from star counts")


def _low_signal(member: Member, reference: Reference, evidence: dict[str, Evidence]) -> Evidence:
    """Star counts add to the single frame's photon budget, unless another fault took the stars."""
    own = evidence["low_signal"]
    count = member[1].numbers.get("star_count", math.nan)
    if own.state == YES or not math.isfinite(count) or count >= 20:
        return own
    taken = any(evidence[k].state != NO for k in ("clouds", "defocus", "guiding_loss"))
    if reference.star_count >= 60 and not taken:
        note = f"{count:.0f} stars where the run has {reference.star_count:.0f}"
        return replace(own, state=YES, note=note)
    return own


def time_order(run: Sequence[Facts]) -> list[int]:
    """Numbers of a run's frames in order of time where all times are known, else as given."""
    return in_order([facts.time_utc or facts.time_local for facts in run])
