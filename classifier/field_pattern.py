"""How the stretching of stars is laid out over the field: what tells tracking from optics.

With z = x + i y from the middle of the frame (1 in the corners) and the shape of a star as
e = e1 + i e2, the stretch q = e / (1 - |e|) is the variance that was added along its direction
over twice the variance of the round star. The causes differ in how q depends on z:
    constant      q = c               drift, vibration, wind: the same for every star
    radial        q = a z^2, a > 0    field coma, astigmatism: along the line to the middle
    tangential    q = a z^2, a < 0    the same on the other side of focus, or a turning field
    turning       q = a (z - p)^2     the field turned about p (a < 0), as with a polar error
    one side      q linear in z       a tilted sensor: round at one edge, stretched at the other
The law of turning is exact: a smear d = i w (z - p) adds |d|^2 / 12 along itself, and q goes as
d^2. Each is fitted to the stars by least squares, odd stars left out step by step; the Bayesian
information criterion (Schwarz 1978, Annals of Statistics 6, 461) chooses, and none is named
unless it beats "round" clearly and stretches stars to more than 1.1 somewhere.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares

Array = np.ndarray
Model = Callable[[Array], Array]

ROUND, CONSTANT, RADIAL, TANGENTIAL = "round", "constant", "radial", "tangential"
TURNING, ONE_SIDE = "turning", "one side"
LEAST_STARS = 20
CLEARLY = 10.0  # difference of the criterion that counts as very strong (Raftery 1995, from memory)
VISIBLE = (1.1**2 - 1) / (1.1**2 + 1)  # e of a star 1.1 times as long as wide
CENTRED = 0.35  # a field turning about a point this near the middle looks tangential
LOPSIDED = 2.5  # stretch of the worse edge over that of the other
CELLS = 4
WHISKER = 0.1  # of the shorter side, drawn for e = 0.3


@dataclass(frozen=True)
class FieldPattern:
    """name: of the pattern. centre: x, y in frame pixels of the point that the field turns about,
    or of the worse edge, where the pattern has one. largest_elongation, typical_elongation:
    greatest and median of the fit over a grid that fills the frame. whiskers: lines
    [x0, y0, x1, y1] in frame pixels along the fitted stretch, one for each place of that grid.
    """

    name: str
    centre: tuple[float, float] | None
    largest_elongation: float
    typical_elongation: float
    whiskers: list[list[float]]


@dataclass(frozen=True)
class Sample:
    """Places, stretches and weights of stars, arrays of one length, z and q complex."""

    z: Array
    q: Array
    weight: Array

    def fit(self, *terms: Array) -> Array:
        """Coefficients of the terms by weighted least squares."""
        design = np.stack(terms, 1) * self.weight[:, None]
        return np.linalg.lstsq(design, self.q * self.weight, rcond=None)[0]

    def misfit(self, model: Model) -> float:
        return float((np.abs((self.q - model(self.z)) * self.weight) ** 2).sum())

    def without_odd(self) -> "Sample":
        """Without stars that a general quadratic in x and y misses by 3.5 of its scatter."""
        z, keep = self.z, np.ones(len(self.z), bool)
        terms = np.stack([np.ones_like(z), z, z.conj(), z**2, z * z.conj(), z.conj() ** 2], 1)
        for _ in range(4):
            solution = Sample(z[keep], self.q[keep], self.weight[keep]).fit(*terms[keep].T)
            rest = np.abs(self.q - terms @ solution) * self.weight
            # The median length of a Gaussian error in two dimensions is 1.1774 sigma.
            keep = rest < 3.5 * max(float(np.median(rest[keep])) / 1.1774, 1e-6)
        return Sample(z[keep], self.q[keep], self.weight[keep])


def find_pattern(stars: Array, lit: tuple[int, int, int, int]) -> FieldPattern | None:
    """Pattern of the shaped stars; None where they are too few or in one part of the field only.

    stars: as `find_stars` gives them. lit: x0, y0, x1, y1 of the frame without its dark edges.
    """
    shaped = stars[stars["shaped"]]
    x0, y0, x1, y1 = lit
    middle, half = ((x0 + x1) / 2, (y0 + y1) / 2), math.hypot(x1 - x0, y1 - y0) / 2
    z = ((shaped["x"] - middle[0]) + 1j * (shaped["y"] - middle[1])) / half
    e = shaped["e1"].astype(float) + 1j * shaped["e2"].astype(float)
    if len(z) < LEAST_STARS or not _spread(z):
        return None
    size = np.minimum(np.abs(e), 0.9)
    # The error of q grows as (1 - |e|)^-2.
    sample = Sample(z, e / (1 - size), (1 - size) ** 2).without_odd()
    if len(sample.z) < LEAST_STARS:
        return None
    chosen = _chosen(sample)
    name, centre = chosen.name, chosen.centre
    grid = _grid(x1 - x0, y1 - y0, half)
    fitted = chosen.model(grid)
    fitted = fitted / (1 + np.abs(fitted))
    if np.abs(fitted).max() < VISIBLE:
        name, centre, fitted = ROUND, None, np.zeros_like(fitted)
    size = np.abs(fitted)
    elongation = np.sqrt((1 + size) / (1 - size))
    at = complex(*middle)
    place = None if centre is None else ((at + half * centre).real, (at + half * centre).imag)
    return FieldPattern(
        name=name,
        centre=place,
        largest_elongation=float(elongation.max()),
        typical_elongation=float(np.median(elongation)),
        whiskers=_whiskers(grid * half + at, fitted, min(x1 - x0, y1 - y0)),
    )


def _spread(z: Array) -> bool:
    """Whether the stars lie all around: no pattern shows in one corner."""
    return min(float(np.std(z.real)), float(np.std(z.imag))) > 0.15


@dataclass(frozen=True)
class Candidate:
    name: str
    parameters: int
    model: Model
    centre: complex | None = None


def _chosen(sample: Sample) -> Candidate:
    """The pattern that the criterion prefers."""
    tried = [_round(), _constant(sample), _centred(sample), _one_side(sample)]
    scores = [_score(sample, one.model, one.parameters) for one in tried]
    # A free quadratic fits better than turning can: only where it might win is it worth finding.
    z = sample.z
    square, linear, level = sample.fit(z**2, z, np.ones_like(z))
    if _score(sample, lambda at: square * at**2 + linear * at + level, 3) < min(scores):
        tried.append(_turning(sample, square, linear))
        scores.append(_score(sample, tried[-1].model, tried[-1].parameters))
    best = int(np.argmin(scores))
    return tried[best] if scores[0] - scores[best] >= CLEARLY else tried[0]


def _score(sample: Sample, model: Model, parameters: int) -> float:
    n = 2 * len(sample.z)
    return n * math.log(max(sample.misfit(model), 1e-12) / n) + parameters * math.log(n)


def _round() -> Candidate:
    return Candidate(ROUND, 0, np.zeros_like)


def _constant(sample: Sample) -> Candidate:
    mean = complex(sample.fit(np.ones_like(sample.z))[0])
    return Candidate(CONSTANT, 2, lambda at: np.full_like(at, mean))


def _centred(sample: Sample) -> Candidate:
    # The strength must be real: the real part of the sums.
    weighted = sample.weight**2
    top = (weighted * sample.q * (sample.z**2).conj()).real.sum()
    strength = float(top / (weighted * np.abs(sample.z) ** 4).sum())
    return Candidate(RADIAL if strength > 0 else TANGENTIAL, 1, lambda at: strength * at**2)


def _turning(sample: Sample, square: complex, linear: complex) -> Candidate:
    """About a free point, started from the free quadratic, whose double root it must be."""
    z = sample.z
    strength = float(square.real) or 1e-3
    root = -linear / (2 * strength)
    root /= max(1.0, abs(root) / 2)

    def rest(guess: Array) -> Array:
        off = (guess[0] * (z - complex(guess[1], guess[2])) ** 2 - sample.q) * sample.weight
        return np.concatenate((off.real, off.imag))

    starts = ((strength, root), (-abs(strength), root), (strength, 0j))
    fits = [least_squares(rest, [a, p.real, p.imag], max_nfev=80) for a, p in starts]
    a, px, py = min(fits, key=lambda fit: fit.cost).x
    centre = complex(px, py)
    name = RADIAL if a > 0 else TANGENTIAL if abs(centre) < CENTRED else TURNING
    return Candidate(name, 3, lambda at: a * (at - centre) ** 2, centre)


def _one_side(sample: Sample) -> Candidate:
    """Stretched along one direction, the more the nearer to one edge."""
    z = sample.z
    level, across, down = sample.fit(np.ones_like(z), z.real, z.imag)
    # The edge where stars are longest lies along the gradient of |q|^2 in the middle.
    slope = complex((level.conjugate() * across).real, (level.conjugate() * down).real)
    way = slope / abs(slope) if slope else 1 + 0j

    def model(at: Array) -> Array:
        return level + across * at.real + down * at.imag

    reach = float(np.abs((z * way.conjugate()).real).max())
    near, far = np.abs(model(np.array([reach * way, -reach * way])))
    if near > LOPSIDED * far:
        return Candidate(ONE_SIDE, 6, model, reach * way)
    return Candidate(CONSTANT, 6, model)


def _grid(wide: int, high: int, half: float) -> Array:
    x = ((np.arange(CELLS) + 0.5) / CELLS - 0.5) * wide / half
    y = ((np.arange(CELLS) + 0.5) / CELLS - 0.5) * high / half
    return (x[None] + 1j * y[:, None]).ravel()


def _whiskers(at: Array, e: Array, side: float) -> list[list[float]]:
    lines = []
    for place, shape in zip(at, e, strict=True):
        if abs(shape) < 1e-3:
            continue
        reach = 0.5 * WHISKER * side * min(abs(shape) / 0.3, 2.0)
        way = reach * np.exp(0.5j * np.angle(shape))
        first, second = place - way, place + way
        lines.append(
            [round(float(v), 1) for v in (first.real, first.imag, second.real, second.imag)]
        )
    return lines
