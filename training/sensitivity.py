"""How strong a fault must be to be found: recall at a fixed rate of false alarms, against strength.

A frame counts as found where its answer reaches the threshold that 1 % of the frames without the
fault reach. Beside the share found in parts of equal size stands a fit: a logistic in the
logarithm of the strength, by maximum likelihood,

    found = 1 / (1 + exp(-(intercept + slope ln strength))),

and from it the strengths at which half and 95 % of the frames are found, in the fault's own unit.
Frames count from where they are no longer clean, those below the counting level included: the
rise lies there. The fit has no ceiling, so where the share found levels off below 95 % that
strength comes out beyond the strongest frame; it is then not reached, and NaN.

Every draw of the bootstrap has its own threshold and its own fit.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from classifier.vocabulary import Fault
from training.draws import Draws, interval, ratio

Array = NDArray[np.float64]

FALSE_ALARMS = 0.01
SHARES = (0.5, 0.95)
PARTS = 6
LEAST_FRAMES = 12
FIT = "logistic in ln(strength), maximum likelihood"
# Weight of slope^2 / 2 (in standard deviations of ln strength) beside the log likelihood: where
# strength divides found from missed without a flaw the best slope is infinite; this keeps it
# finite and changes no other fit by anything that shows.
_RIDGE = 1e-2
_STEPS, _LONGEST_STEP = 40, 2.0
_FAINTEST = 1e-3  # of the counting level: strengths that fall to nothing have no logarithm


def against_strength(
    row: Fault,
    strength: Array,
    score: Array,
    threshold: Array,
    draws: Draws,
    rows: NDArray[np.intp],
) -> dict[str, Any]:
    """The curve, the fit and the strengths of one fault.

    strength, score (N,): of all frames. threshold (D,): what `FALSE_ALARMS` of the
    frames without the fault reach. rows: the frames that
    have the fault, however weak. Fewer than `LEAST_FRAMES` give parts, but no fit.
    """
    order = rows[np.argsort(strength[rows], kind="stable")]
    order = order[::-1] if row.grows_downwards else order
    found = score[order] >= threshold[:, None]
    counts = draws.of(order)
    figures: dict[str, Any] = {
        "unit": row.unit,
        "false_alarms": FALSE_ALARMS,
        "frames": len(order),
        "parts": _parts(strength, found, draws, order),
        "fit": FIT,
        "intercept": float("nan"),
        "slope": float("nan"),
    }
    if len(order) < LEAST_FRAMES:
        return figures | {f"strength_{round(100 * s)}": _unknown() for s in SHARES}
    faintest = _FAINTEST * row.counts_from
    x = np.log(np.maximum(strength[order], faintest))
    intercept, slope = fit_logistic(x, found, counts)
    figures["intercept"], figures["slope"] = float(intercept[0]), float(slope[0])
    for share in SHARES:
        figures[f"strength_{round(100 * share)}"] = _strength_at(share, x, intercept, slope)
    return figures


def _parts(
    strength: Array, found: NDArray[np.bool_], draws: Draws, order: NDArray[np.intp]
) -> list[dict[str, Any]]:
    """Share found in parts of equal size, weakest first, each with its interval.

    order: frames by strength; found (D, len(order)): of those.
    """
    if len(order) < PARTS:
        return []
    parts = []
    for part in np.array_split(np.arange(len(order)), PARTS):
        rows = order[part]
        counts = draws.of(rows)
        told = draws.of_share(ratio((counts * found[:, part]).sum(1), counts.sum(1)), rows)
        parts.append(
            {
                "from": float(strength[rows[0]]),
                "to": float(strength[rows[-1]]),
                "frames": len(part),
                "found": told["value"],
                "low": told["low"],
                "high": told["high"],
            }
        )
    return parts


def fit_logistic(x: Array, found: NDArray[np.bool_], counts: Array) -> tuple[Array, Array]:
    """(N,) x, (D, N) found and counts -> (D,) intercepts and slopes of D fits at once.

    Newton's method from a level curve, its steps bounded.
    """
    middle, spread = float(x.mean()), max(float(x.std()), 1e-9)
    z = (x - middle) / spread
    a, b = np.zeros(len(counts)), np.zeros(len(counts))
    for _ in range(_STEPS):
        p = expit(a[:, None] + b[:, None] * z)
        miss, bend = counts * (found - p), counts * p * (1 - p)
        slope_a, slope_b = miss.sum(1), miss @ z - _RIDGE * b
        aa, ab, bb = bend.sum(1) + 1e-9, bend @ z, bend @ z**2 + _RIDGE
        det = np.maximum(aa * bb - ab**2, 1e-12)
        step_a = np.clip((bb * slope_a - ab * slope_b) / det, -_LONGEST_STEP, _LONGEST_STEP)
        step_b = np.clip((aa * slope_b - ab * slope_a) / det, -_LONGEST_STEP, _LONGEST_STEP)
        a, b = np.clip(a + step_a, -40, 40), b + step_b
        if max(np.abs(step_a).max(), np.abs(step_b).max()) < 1e-8:
            break
    return a - b * middle / spread, b / spread


def _strength_at(share: float, x: Array, intercept: Array, slope: Array) -> dict[str, Any]:
    """The strength at which `share` is found. reached: inside, never, or always (at the weakest
    frame already); only inside has a value. An end of the interval beyond the frames is NaN."""
    weak, strong = float(x[0]), float(x[-1])
    way = 1.0 if strong >= weak else -1.0  # -1: the fault grows as the number falls
    at_weak, at_strong = expit(intercept + slope * weak), expit(intercept + slope * strong)
    # A level curve crosses nowhere: it lies above the share all along, or below.
    with np.errstate(divide="ignore", over="ignore", invalid="ignore"):
        crossing = (np.log(share / (1 - share)) - intercept) / slope
    # Along the way of growing strength: before the first frame, inside, or beyond the last one.
    beyond, before = at_strong < share, at_weak >= share
    place = np.where(beyond, np.inf, np.where(before, -np.inf, way * crossing))
    value, (low, high) = float(place[0]), interval(place)
    ends = [float(np.exp(way * end)) for end in (low, high)]
    inside = bool(np.isfinite(value))
    return {
        "value": float(np.exp(way * value)) if inside else float("nan"),
        "low": ends[0] if way > 0 else ends[1],
        "high": ends[1] if way > 0 else ends[0],
        "reached": "inside" if inside else "never" if value > 0 else "always",
    }


def _unknown() -> dict[str, Any]:
    return {"value": float("nan"), "low": float("nan"), "high": float("nan"), "reached": "unknown"}
