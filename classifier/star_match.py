"""Stars of two subs of one field brought together, and the light that one of them lost.

Subs of a run differ by dithering, slow turning and the half turn of a meridian flip. The shift
is found by letting all pairs of bright stars vote for their difference, once as they are and
once turned by 180 degrees; the stars that agree within a few pixels are then compared.
"""

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

Array = np.ndarray

VOTERS = 60
FIRST_BIN_PX = 6.0
LEAST_MATCHES = 8


@dataclass(frozen=True)
class Loss:
    """Light lost against the reference, in magnitudes: median over the matched stars, rms of
    the medians of a 3 x 3 grid beyond what chance makes, the number of stars, and the error of
    the median from their scatter."""

    mean_mag: float
    patchy_mag: float
    matched: int
    error_mag: float


def light_lost(stars: Array, reference: Array) -> Loss | None:
    """Loss of `stars` against `reference`, both (n, 3) x, y, flux; None if they do not match."""
    pairs = match(stars, reference)
    if len(pairs) < LEAST_MATCHES:
        return None
    mine, theirs = stars[pairs[:, 0]], reference[pairs[:, 1]]
    good = (mine[:, 2] > 0) & (theirs[:, 2] > 0)
    if good.sum() < LEAST_MATCHES:
        return None
    mine, theirs = mine[good], theirs[good]
    lost = -2.5 * np.log10(mine[:, 2] / theirs[:, 2])
    mean = float(np.median(lost))
    # 1.2533: error of a median over that of a mean, for normal scatter.
    error = 1.2533 * 1.4826 * float(np.median(np.abs(lost - mean))) / len(lost) ** 0.5
    return Loss(mean, _patchiness(mine, lost), int(good.sum()), error)


def match(stars: Array, reference: Array) -> Array:
    """(m, 2) indices of stars and reference that are the same; empty if no shift fits."""
    none = np.zeros((0, 2), int)
    if len(stars) < LEAST_MATCHES or len(reference) < LEAST_MATCHES:
        return none
    best = none
    theirs = reference[:, :2].astype(np.float64)
    for turned in (1.0, -1.0):
        mine = turned * stars[:, :2].astype(np.float64)
        pairs = _pairs(mine, theirs)
        if len(pairs) > len(best):
            best = pairs
    # Chance finds a few; a real field agrees on a good part of the bright stars.
    enough = max(LEAST_MATCHES, 0.15 * min(len(stars), len(reference)))
    return best if len(best) >= enough else none


def _pairs(mine: Array, theirs: Array) -> Array:
    differences = (theirs[None, :VOTERS] - mine[:VOTERS, None]).reshape(-1, 2)
    tree = cKDTree(differences)
    agreeing = tree.query_pairs(FIRST_BIN_PX, output_type="ndarray")
    votes = np.bincount(agreeing.ravel(), minlength=len(differences))
    shift = differences[tree.query_ball_point(differences[int(votes.argmax())], FIRST_BIN_PX)]
    moved = mine + np.median(shift, axis=0)
    # Refine to a shift with rotation and scale from the first matches, then match closely.
    target = cKDTree(theirs)
    distance, index = target.query(moved, distance_upper_bound=FIRST_BIN_PX)
    found = np.isfinite(distance)
    if found.sum() < 5:
        return np.zeros((0, 2), int)
    design = np.c_[moved, np.ones(len(moved))]
    turn = np.linalg.lstsq(design[found], theirs[index[found]], rcond=None)[0]
    distance, index = target.query(design @ turn, distance_upper_bound=3.0)
    found = np.nonzero(np.isfinite(distance))[0]
    _, first = np.unique(index[found], return_index=True)
    found = found[first]
    return np.stack((found, index[found]), 1)


def _patchiness(stars: Array, lost: Array) -> float:
    """Spread of the loss over a 3 x 3 grid beyond the error of each cell's median."""
    x, y = stars[:, 0], stars[:, 1]
    column = np.clip(((x - x.min()) / max(np.ptp(x), 1) * 3).astype(int), 0, 2)
    row = np.clip(((y - y.min()) / max(np.ptp(y), 1) * 3).astype(int), 0, 2)
    medians, errors = [], []
    for cell in range(9):
        inside = lost[row * 3 + column == cell]
        if len(inside) < 4:
            continue
        spread = 1.4826 * float(np.median(np.abs(inside - np.median(inside))))
        medians.append(float(np.median(inside)))
        errors.append(1.2533 * spread / len(inside) ** 0.5)
    if len(medians) < 4:
        return 0.0
    variance = float(np.var(medians, ddof=1)) - float(np.mean(np.square(errors)))
    return max(variance, 0.0) ** 0.5
