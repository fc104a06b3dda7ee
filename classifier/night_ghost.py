"""Discs of stray light that come back in every sub of a run.

    share = ghost_step_pct(maps, flip)

A ghost hangs on a star of the field: round it, opposite to it through the axis, or beside it. In
the field's frame, in which the subs after a flip are turned by half a turn, the first two stay
where they are; so the sky of all subs is laid over one another there, and a faint ghost stands out
that no single sub shows. What stands beside its star is led there by the tube and does not turn
with the field: it is looked for on each side of the flip by itself, and must not be there on the
other. The glare of bright stars is the same all round them and is taken off, because it hides the
edge of a ghost beside its star; a ghost round its star is looked for with the glare left in. A disc
counts by its round edge (`discs`), if both parts of the run show its step.
"""

import warnings

import numpy as np
from scipy import ndimage

from classifier.background import SkyPicture
from classifier.discs import Disc, find_round
from classifier.night_slow_sky import slow_sky
from classifier.night_trend import robust_spread

Array = np.ndarray

LEAST_SUBS, LEAST_CELLS = 6, 24
SMALLEST = 4.0  # cells
GLARING, MOST_GLARING = 0.5, 5  # of the sky: stars whose glare is taken off; how many of them
REACH, NEAR = 30, 3  # cells: of the glare, and between two stars
COVERED, GLARE_COVERED = 1.5, 1.0  # of the sky: brighter cells hide what is there
LEAST_PART = 0.5  # share of the step that the part showing less of it has to show
LEAST_CLUTTER = 1.5  # of what stars and nebulae scatter the sky by: crowds make round groups
INSIDE, OUTSIDE = (0.55, 0.9), (1.1, 1.4)  # of the radius
LEAST_SEEN = 8  # cells on each side of the edge


def ghost_step_pct(maps: Array, flip: int | None) -> float:
    """How far the brightest disc that both parts of a run show stands above the sky, percent of
    it, in the part that shows it less; 0 where there is none.

    maps: (n, h, w) sky of the subs less its median, over its level; NaN where blank. flip: the
    first sub after a meridian flip.
    """
    if len(maps) < LEAST_SUBS or min(maps.shape[1:]) < LEAST_CELLS:
        return 0.0
    at = flip if flip is not None and 3 <= flip <= len(maps) - 3 else None
    if at is None:
        return 100 * _highest(maps, (maps[::2], maps[1::2]))
    sides = maps[:at], maps[at:]
    turned = sides[0], sides[1][:, ::-1, ::-1]
    whole = _highest(np.concatenate(turned), turned)
    alone = [
        _highest(side, (side[::2], side[1::2]), other[:, ::-1, ::-1])
        for side, other in (sides, sides[::-1])
        if len(side) >= LEAST_SUBS
    ]
    return 100 * max(whole, *alone, 0.0)


def _highest(maps: Array, parts: tuple[Array, Array], besides: Array | None = None) -> float:
    """Step of the highest disc that these subs show together, and both parts of them, beyond what
    the subs `besides` show at the same place of the field."""
    (sky, valid), *halves = (_flat(part) for part in (maps, *parts))
    beside = None if besides is None else _flat(besides)[0]
    clutter = robust_spread(sky[valid])
    glare = _glare(sky, valid)
    bright = ndimage.binary_dilation(sky > COVERED)
    best = 0.0
    for off, hidden, wider in (
        (np.zeros_like(sky), bright, 3),
        (glare, bright | ndimage.binary_dilation(glare > GLARE_COVERED), 2),
    ):
        free = valid & ~hidden
        calm = valid & ~ndimage.binary_dilation(hidden, iterations=wider)
        noise = 1.4826 / 2**0.5 * float(np.median(np.abs(np.diff(sky, axis=1))))
        picture = SkyPicture(sky, valid, 1, sky, 1, 0, 0, noise)
        for disc in find_round(sky - off, free, calm, picture, SMALLEST):
            if disc.has_edge:
                whole, *steps = (_step(each - off, free, disc) for each in (sky, *_lights(halves)))
                of_sky = 0.0 if beside is None else max(_step(beside - off, free, disc), 0.0)
                step = min(disc.step_adu, whole, *steps) - of_sky
                if min(steps) > LEAST_PART * whole and step > LEAST_CLUTTER * clutter:
                    best = max(best, step)
    return float(best)


def _lights(halves: list[tuple[Array, Array]]) -> list[Array]:
    return [light for light, _ in halves]


def _flat(maps: Array) -> tuple[Array, Array]:
    """(h, w) sky that the subs have in common, without its slow part; bool where it is known."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # cells that are blank in every sub
        sky = np.nanmedian(maps, axis=0)
    valid = np.isfinite(sky)
    sky = np.where(valid, sky, np.nanmedian(sky)).astype(np.float32)
    return sky - slow_sky(sky, max(5, max(sky.shape) // 2) | 1), valid


def _glare(sky: Array, valid: Array) -> Array:
    """(h, w) light of the brightest stars: round each the median over all directions, falling
    outward. Each is taken with the others off."""
    y, x = np.mgrid[: sky.shape[0], : sky.shape[1]]
    away = [np.hypot(x - sx, y - sy) for sx, sy in _bright_stars(sky)]
    glares = [np.zeros_like(sky) for _ in away]
    edges = np.concatenate((np.arange(0.0, 8.0, 0.5), np.arange(8.0, REACH + 0.1)))
    middles = 0.5 * (edges[1:] + edges[:-1])
    for _ in range(2):
        for i, radius in enumerate(away):
            others = sum((each for j, each in enumerate(glares) if j != i), np.zeros_like(sky))
            ring = np.where(valid, np.digitize(radius, edges) - 1, -1)
            profile = ndimage.median(sky - others, ring, np.arange(len(middles)))
            known = np.bincount(ring[ring >= 0], minlength=len(middles))[: len(middles)] >= 4
            if known.sum() < 4:
                continue
            falling = np.minimum.accumulate(np.maximum(profile[known], 0.0))
            glares[i] = np.interp(radius, middles[known], falling - falling[-1], right=0.0).astype(
                np.float32
            )
    return sum(glares, np.zeros_like(sky))


def _bright_stars(sky: Array) -> list[tuple[float, float]]:
    """(x, y) of the brightest stars, the middle of what lies above a third of their tops."""
    peaks = (sky >= ndimage.maximum_filter(sky, 2 * NEAR + 1)) & (sky > GLARING)
    found: list[tuple[float, float]] = []
    rows, columns = np.nonzero(peaks)
    y, x = np.mgrid[: sky.shape[0], : sky.shape[1]]
    for k in np.argsort(-sky[rows, columns])[: 2 * MOST_GLARING]:
        place = float(columns[k]), float(rows[k])
        for _ in range(4):
            light = np.where(np.hypot(x - place[0], y - place[1]) < 1.5 * NEAR, sky, 0.0)
            light = np.maximum(light - 0.3 * light.max(), 0.0)
            total = max(float(light.sum()), 1e-9)
            place = float((light * x).sum() / total), float((light * y).sum() / total)
        if all(np.hypot(place[0] - a, place[1] - b) > NEAR for a, b in found):
            found.append(place)
    return found[:MOST_GLARING]


def _step(sky: Array, free: Array, disc: Disc) -> float:
    """Light inside the edge of a disc less that outside; 0 where too little is seen."""
    y, x = np.mgrid[: sky.shape[0], : sky.shape[1]]
    away = np.hypot(x - disc.x, y - disc.y) / disc.radius
    inside, outside = (free & (a < away) & (away < b) for a, b in (INSIDE, OUTSIDE))
    if min(inside.sum(), outside.sum()) < LEAST_SEEN:
        return 0.0
    return float(np.median(sky[inside]) - np.median(sky[outside]))
