"""Two pictures of one field laid over each other by the pattern their stars make.

    pattern = Pattern(reference_stars)
    match = match_pattern(stars, pattern)     # None if no similarity fits better than chance

Any three stars make a triangle whose side ratios survive shift, turn, scale and mirroring. Each
star and its nearest neighbours give triangles; triangles of equal ratios in both pictures vote for
a similarity, and the votes of the true one agree. The winner is then tried on all stars and kept
only if more of them meet than chance would bring together. No catalogue is needed, and neither
brightness nor its order is compared, so that pictures through different filters match.

The idea that triangles name a field is old: Groth 1986, AJ 91, 1244 (from memory).
"""

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from scipy.spatial import cKDTree
from scipy.stats import poisson

Array = np.ndarray

NEIGHBOURS = 7
RATIO_TOLERANCE = 0.008  # half a pixel on a side of 60 px
VOTE_RADIUS = 0.012
CANDIDATES = 6
LEAST_STARS = 6
CHANCE = 1e-7
SURE = 0.4  # with this share of the stars paired no other candidate can be better
# How many of the brightest stars are joined to triangles: mine, theirs. Fields of unlike depth or
# size share few of their brightest stars, hence the later tries.
TRIES = (
    *((60, 60), (140, 140), (40, 40), (140, 60), (60, 140)),
    *((300, 300), (300, 100), (100, 300), (300, 40), (40, 300)),
)


@dataclass(frozen=True)
class Triangles:
    """corners: (t, 3) indices of stars, each corner opposite to the short, middle, long side.
    ratios: (t, 2) short / long and middle / long side. turns: (t,) +1 or -1, the sense in which
    the corners follow each other."""

    corners: Array
    ratios: Array
    turns: Array


@dataclass
class Pattern:
    """Stars of a picture, brightest first, with the triangles made from them so far.

    stars: (n, 2) or more columns, x and y first, in pixels.
    """

    stars: Array
    _made: dict[int, Triangles] = field(default_factory=dict, repr=False)

    @cached_property
    def places(self) -> Array:
        """(n, 2) float64 positions."""
        return np.asarray(self.stars, np.float64).reshape(len(self.stars), -1)[:, :2]

    def triangles(self, brightest: int) -> Triangles:
        if brightest not in self._made:
            self._made[brightest] = _triangles(self.places[:brightest])
        return self._made[brightest]


@dataclass(frozen=True)
class Match:
    """How stars of one picture (x, y) are found in another: matrix @ (x, y) + shift.

    matrix, shift: (2, 2) and (2,), the best similarity in pixels. scale: pixels of the reference
    per pixel. rotation_deg: from +x towards +y, in (-180, 180]; where `mirrored`, after y has been
    turned over. pairs: (m, 2) indices of stars and reference stars that are the same. rms_px: per
    axis, of the similarity. rotation_error_deg: standard error that follows from it.
    """

    matrix: Array
    shift: Array
    pairs: Array
    rms_px: float
    rotation_error_deg: float

    @property
    def mirrored(self) -> bool:
        return bool(np.linalg.det(self.matrix) < 0)

    @property
    def scale(self) -> float:
        return float(abs(np.linalg.det(self.matrix)) ** 0.5)

    @property
    def rotation_deg(self) -> float:
        # The first column is the image of +x, which turning y over leaves alone.
        angle = float(np.degrees(np.arctan2(self.matrix[1, 0], self.matrix[0, 0])))
        return 180.0 if angle == -180.0 else angle

    def apply(self, places: Array) -> Array:
        """(n, 2) pixels of the picture -> pixels of the reference."""
        return np.asarray(places, np.float64) @ self.matrix.T + self.shift


def match_pattern(stars: Array | Pattern, reference: Array | Pattern) -> Match | None:
    """The similarity that lays `stars` over `reference`; None if none beats chance.

    Both are (n, 2) or more columns, x and y first, brightest first, or a Pattern made of them.
    """
    mine = stars if isinstance(stars, Pattern) else Pattern(stars)
    theirs = reference if isinstance(reference, Pattern) else Pattern(reference)
    if min(len(mine.stars), len(theirs.stars)) < LEAST_STARS:
        return None
    tried = set()
    for ours, others in TRIES:
        counts = (min(ours, len(mine.stars)), min(others, len(theirs.stars)))
        if counts in tried:
            continue
        tried.add(counts)
        best: Match | None = None
        for matrix, shift in _candidates(mine, theirs, *counts):
            found = _refine(mine.places, theirs.places, matrix, shift)
            if found is not None and (best is None or len(found.pairs) > len(best.pairs)):
                best = found
            if best is not None and len(best.pairs) > SURE * min(
                len(mine.stars), len(theirs.stars)
            ):
                return best
        if best is not None:
            return best
    return None


def _triangles(places: Array) -> Triangles:
    """All triangles that a star makes with two of its nearest neighbours."""
    none = Triangles(np.zeros((0, 3), int), np.zeros((0, 2)), np.zeros(0))
    count = min(NEIGHBOURS, len(places) - 1)
    if count < 2:
        return none
    _, near = cKDTree(places).query(places, count + 1)
    first, second = np.triu_indices(count, 1)
    near = near[:, 1:]
    own = np.repeat(np.arange(len(places)), len(first))
    corners = np.stack((own, near[:, first].ravel(), near[:, second].ravel()), 1)
    corners = np.unique(np.sort(corners, axis=1), axis=0)
    sides = np.stack(
        [
            np.linalg.norm(
                places[corners[:, (i + 1) % 3]] - places[corners[:, (i + 2) % 3]], axis=1
            )
            for i in range(3)
        ],
        1,
    )
    order = np.argsort(sides, axis=1)
    corners, sides = np.take_along_axis(corners, order, 1), np.take_along_axis(sides, order, 1)
    short, middle, long = sides.T
    # Sides of nearly one length cannot be told apart, and slivers have no sure direction.
    clear = (short > 0.15 * long) & (middle < 0.97 * long) & (short < 0.97 * middle)
    corners, long = corners[clear], long[clear]
    if not len(corners):
        return none
    ratios = np.stack((short[clear] / long, middle[clear] / long), 1)
    one, two = places[corners[:, 1]] - places[corners[:, 0]], places[corners[:, 2]]
    two = two - places[corners[:, 0]]
    return Triangles(corners, ratios, np.sign(one[:, 0] * two[:, 1] - one[:, 1] * two[:, 0]))


def _candidates(
    mine: Pattern, theirs: Pattern, ours: int, others: int
) -> list[tuple[Array, Array]]:
    """Similarities (matrix, shift) that many pairs of triangles agree on, most votes first."""
    a, b = mine.triangles(ours), theirs.triangles(others)
    if not len(a.corners) or not len(b.corners):
        return []
    near = cKDTree(b.ratios).query_ball_point(a.ratios, RATIO_TOLERANCE)
    counts = np.array([len(each) for each in near])
    if not counts.sum():
        return []
    i = np.repeat(np.arange(len(counts)), counts)
    j = np.concatenate([np.asarray(each, int) for each in near if len(each)])
    flip = a.turns[i] * b.turns[j] < 0
    centre = mine.places[:ours].mean(0)
    z = _complex(mine.places - centre)[a.corners[i]]
    z = np.where(flip[:, None], z.conj(), z)
    w = _complex(theirs.places)[b.corners[j]]
    # Least squares of w = turn z + move over the three corners.
    z_mean, w_mean = z.mean(1), w.mean(1)
    dz, dw = z - z_mean[:, None], w - w_mean[:, None]
    turn = (dz.conj() * dw).sum(1) / (abs(dz) ** 2).sum(1)
    move = w_mean - turn * z_mean
    extent = max(1.0, float(np.ptp(theirs.places, axis=0).max()))
    votes = np.stack(
        (
            np.log(abs(turn)),
            turn.real / abs(turn),
            turn.imag / abs(turn),
            move.real / extent,
            move.imag / extent,
            10.0 * flip,
        ),
        1,
    )
    tree = cKDTree(votes)
    support = tree.query_ball_point(votes, VOTE_RADIUS, return_length=True)
    found = []
    for _ in range(CANDIDATES):
        best = int(support.argmax())
        if support[best] < 2:
            break
        members = tree.query_ball_point(votes[best], VOTE_RADIUS)
        t, m = turn[members].mean(), move[members].mean()
        matrix = np.array([[t.real, -t.imag], [t.imag, t.real]])
        if flip[best]:
            matrix = matrix @ np.diag([1.0, -1.0])
        found.append((matrix, np.array([m.real, m.imag]) - matrix @ centre))
        support[tree.query_ball_point(votes[best], 3 * VOTE_RADIUS)] = 0
    return found


def _refine(mine: Array, theirs: Array, matrix: Array, shift: Array) -> Match | None:
    """The candidate fitted to all stars that meet, or None if they are no more than chance.

    Lenses bend a field, so that after a shift no similarity fits all of it: with stars enough, a
    quadratic brings them together, and the similarity is fitted to the pairs found that way.
    """
    tree = cKDTree(theirs)
    extent = max(1.0, float(np.ptp(theirs, axis=0).max()))
    reach = max(4.0, 0.006 * extent)
    moved = mine @ matrix.T + shift
    pairs = _meet(moved, tree, reach)
    for _ in range(8):
        if len(pairs) < LEAST_STARS:
            return None
        basis = _basis(mine, len(pairs))
        here, there = basis[pairs[:, 0]], theirs[pairs[:, 1]]
        keep = np.ones(len(pairs), bool)
        for _ in range(3):  # a few wrong pairs must not steer the fit
            solution = np.linalg.lstsq(here[keep], there[keep], rcond=None)[0]
            miss = np.linalg.norm(there - here @ solution, axis=1)
            keep = miss <= max(3.0 * float(np.median(miss[keep])), 0.3)
            if keep.sum() < LEAST_STARS:
                return None
        moved = basis @ solution
        reach = max(min(reach, 5.0 * float(np.median(miss[keep]))), 1.5)
        pairs = _meet(moved, tree, reach)
    if len(pairs) < LEAST_STARS or not _beats_chance(moved, theirs, reach, len(pairs)):
        return None
    return _similarity(mine, theirs, pairs)


def _basis(places: Array, pairs: int) -> Array:
    x, y = places.T
    terms = [x, y, np.ones(len(x))]
    if pairs >= 40:
        terms += [x * x, x * y, y * y]
    return np.stack(terms, 1)


def _meet(moved: Array, tree: cKDTree, reach: float) -> Array:
    """(m, 2) pairs of stars that are each other's nearest and no farther apart than `reach`."""
    distance, index = tree.query(moved, distance_upper_bound=reach)
    found = np.nonzero(np.isfinite(distance))[0]
    found = found[np.argsort(distance[found], kind="stable")]
    _, first = np.unique(index[found], return_index=True)
    found = found[first]
    return np.stack((found, index[found]), 1)


def _beats_chance(moved: Array, theirs: Array, reach: float, count: int) -> bool:
    """Whether `count` meetings are far more than stars strewn at random would have."""
    low, high = theirs.min(0), theirs.max(0)
    inside = int(((moved >= low) & (moved <= high)).all(1).sum())
    area = max(1.0, float(np.prod(high - low)))
    expected = inside * min(1.0, len(theirs) * np.pi * reach**2 / area)
    # The four numbers of the similarity were chosen to make some of them meet.
    return bool(poisson.sf(count - 3, expected) < CHANCE) and count >= 0.1 * inside


def _similarity(mine: Array, theirs: Array, pairs: Array) -> Match | None:
    """Least-squares similarity of the pairs, mirrored or not, and its error."""
    z, w = _complex(mine[pairs[:, 0]]), _complex(theirs[pairs[:, 1]])
    best = None
    for flipped in (False, True):
        source = z.conj() if flipped else z
        dz, dw = source - source.mean(), w - w.mean()
        size = float((abs(dz) ** 2).sum())
        turn = (dz.conj() * dw).sum() / size
        miss = dw - turn * dz
        rms = float(np.sqrt((abs(miss) ** 2).sum() / max(1, 2 * len(pairs) - 4)))
        if best is None or rms < best.rms_px:
            matrix = np.array([[turn.real, -turn.imag], [turn.imag, turn.real]])
            matrix = matrix @ np.diag([1.0, -1.0]) if flipped else matrix
            shift = theirs[pairs[:, 1]].mean(0) - matrix @ mine[pairs[:, 0]].mean(0)
            error = float(np.degrees(rms / (abs(turn) * size**0.5)))
            best = Match(matrix, shift, pairs, rms, error)
    return best


def _complex(places: Array) -> Array:
    return places[..., 0] + 1j * places[..., 1]
