"""Bootstrap over groups as weights: every figure and its interval from one sweep.

    draws = Draws(run, rng)
    draws.estimate(average_precision(draws.of(rows), truth[rows], score[rows]))

Drawing whole groups with repeats is the same as counting every frame as often as its group was
drawn. So a figure takes a matrix of counts (D, N), one row per draw, and returns D values. The
first row counts every frame once and gives the figure itself; the others give its interval.
Frames are sorted once instead of once per draw, which makes 200 draws cost little.

The figures agree with those of `metrics` on frames counted once. Intervals are percentiles; an
error that grows by resampling itself asks for `mirrored`.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Rows = Mask | NDArray[np.intp]

LEVEL = 0.95
COUNT = 200
LEAST_GROUPS = 3  # fewer say nothing of how other groups would differ


class Draws:
    """counts (1 + `count`, N): how often each draw has each frame; the first has all once."""

    def __init__(self, groups: ArrayLike, rng: np.random.Generator, count: int = COUNT):
        _, which = np.unique(np.asarray(groups), return_inverse=True)
        number = int(which.max()) + 1 if len(which) else 0
        times = np.ones((1 + count, number))
        for row in times[1:]:
            row[:] = np.bincount(rng.integers(0, max(number, 1), number), minlength=number)
        self.groups = number
        self.which = which
        self.counts: Array = times[:, which] if number else np.ones((1 + count, 0))

    def of(self, rows: Rows) -> Array:
        """The counts of some frames only: a mask (N,) or their numbers."""
        return self.counts[:, rows]

    def share(self, given: Mask, among: Mask) -> Array:
        """(D,) share of the frames `among` (N,) that are `given` (N,); NaN among none."""
        return ratio(self.counts @ (given & among), self.counts @ among)

    def ends(self, shares: Array, among: Rows) -> tuple[float, float]:
        """95 % interval of a share (D,) among some frames.

        Where it is 0 or 1 in every draw, resampling bounds nothing. The far end is then the exact
        one for none in as many trials as these frames have groups: 1 - 0.025^(1/n) (Clopper and
        Pearson 1934, Biometrika 26, 404). Any other share in fewer than `LEAST_GROUPS` groups is
        not bounded: NaN.
        """
        low, high = interval(shares)
        groups = len(np.unique(self.which[among]))
        if low == high and shares[0] in (0.0, 1.0):
            far = 1 - ((1 - LEVEL) / 2) ** (1 / groups)
            return (0.0, far) if shares[0] == 0 else (1 - far, 1.0)
        return (low, high) if groups >= LEAST_GROUPS else (float("nan"), float("nan"))

    def proportion(self, given: Mask, among: Mask) -> dict[str, float]:
        """The share of the frames `among` that are `given`: value, low and high."""
        return self.of_share(self.share(given, among), among)

    def of_share(self, shares: Array, among: Rows) -> dict[str, float]:
        """(D,) shares of some frames -> value, low and high."""
        low, high = self.ends(shares, among)
        return {"value": float(shares[0]), "low": low, "high": high}

    def estimate(self, values: Array, mirrored: bool = False) -> dict[str, float]:
        """(D,) values -> value, low and high: see `interval`."""
        low, high = interval(values, mirrored)
        return {"value": float(values[0]), "low": low, "high": high}


def interval(values: Array, mirrored: bool = False) -> tuple[float, float]:
    """95 % interval from (D,) values, the figure itself first; NaN where a draw gives none.

    An end that is not finite is NaN: the figure is not bounded there. mirrored: the draws'
    distances from the figure turned round (the basic bootstrap), for errors that cannot be
    negative and that resampling itself enlarges; never below 0.
    """
    drawn = np.sort(values[1:][~np.isnan(values[1:])])
    if len(drawn) == 0 or np.isnan(values[0]):
        return float("nan"), float("nan")
    tail = (1 - LEVEL) / 2
    # The value at a rank, not between two: one of them may be infinite.
    low = drawn[int(np.floor(tail * (len(drawn) - 1)))]
    high = drawn[int(np.ceil((1 - tail) * (len(drawn) - 1)))]
    if mirrored:
        low, high = max(2 * values[0] - high, 0.0), max(2 * values[0] - low, 0.0)
    return _bounded(low), _bounded(high)


def _bounded(end: float) -> float:
    return float(end) if np.isfinite(end) else float("nan")


def ratio(part: Array, whole: Array) -> Array:
    """part / whole, NaN where whole is 0."""
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(whole > 0, part / whole, np.nan)


def mean_of(figures: list[Array]) -> Array:
    """K figures of (D,) values -> (D,) their mean, draw by draw, over those that are known."""
    if not figures:
        return np.full(1 + COUNT, np.nan)
    table = np.stack(figures)
    known = ~np.isnan(table)
    return ratio(np.where(known, table, 0.0).sum(0), known.sum(0).astype(float))


def average_precision(counts: Array, truth: Mask, score: Array) -> Array:
    """(D, N) counts, (N,) truth and score -> (D,) as `metrics.average_precision_score`."""
    if not truth.any():
        return np.full(len(counts), np.nan)
    order = np.argsort(-score, kind="stable")
    truth, score, counts = truth[order], score[order], counts[:, order]
    last_of_tie = np.append(np.nonzero(np.diff(score))[0], len(score) - 1)
    hits = np.cumsum(counts * truth, axis=1)[:, last_of_tie]
    seen = np.cumsum(counts, axis=1)[:, last_of_tie]
    rise = np.diff(hits, axis=1, prepend=0.0)
    gained = (rise * hits / np.maximum(seen, 1.0)).sum(1)
    return ratio(gained, hits[:, -1])


def threshold_at_false_alarms(counts: Array, truth: Mask, score: Array, rate: float) -> Array:
    """(D,) lowest thresholds that at most `rate` of the negatives reach; -inf without any."""
    order = np.argsort(-score[~truth], kind="stable")
    negatives, seen = score[~truth][order], np.cumsum(counts[:, ~truth][:, order], axis=1)
    if len(negatives) == 0:
        return np.full(len(counts), -np.inf)
    allowed = np.floor(rate * seen[:, -1:] + 1e-9)
    over = seen > allowed
    cut = np.nextafter(negatives[over.argmax(1)], np.inf)
    return np.where(over.any(1), cut, -np.inf)


def recall_at(counts: Array, truth: Mask, score: Array, threshold: Array) -> Array:
    """(D,) shares of the positives that reach the draws' own thresholds (D,); NaN without any."""
    found = score[truth] >= threshold[:, None]
    return ratio((counts[:, truth] * found).sum(1), counts[:, truth].sum(1))


def calibration_error(
    counts: Array,
    truth: Mask,
    probability: Array,
    weight: Array | None = None,
    bins: int = 15,
) -> Array:
    """(D,) expected calibration errors as `metrics.calibration_error`."""
    weight = np.ones(len(truth)) if weight is None else weight
    inside = in_bin(probability, bins)
    gap = counts @ (inside * (weight * (probability - truth))[:, None])
    return ratio(np.abs(gap).sum(1), counts @ weight)


def in_bin(probability: Array, bins: int = 15) -> Mask:
    """(N,) -> (N, bins): which of the equal bins each answer falls into."""
    which = np.clip((probability * bins).astype(int), 0, bins - 1)
    return np.asarray(which[:, None] == np.arange(bins))
