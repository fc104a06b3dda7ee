"""The form of a disc in the sky: circles laid on their edges, and how sharp and whole these are.

    forms = disc_forms(scale, sign, x, y, radius)

Round each circle the picture is read in polar coordinates, in 24 sectors. The edge is looked for
in each, the circle is laid through the edges, and then each sector tells its step across the edge
and the slopes on both sides of it. What is the same all round is the disc's; the scatter from
sector to sector, whatever it comes from, is the noise that it is held against.
"""

from dataclasses import dataclass

import numpy as np

from classifier.bilinear import between_each
from classifier.round_edges import Scale

Array = np.ndarray

SECTORS, RAYS = 24, 2
TURN = (np.arange(SECTORS * RAYS) + 0.5) / (SECTORS * RAYS) * 2 * np.pi
MIDDLES = (np.arange(SECTORS) + 0.5) / SECTORS * 2 * np.pi
RADII = np.exp(np.arange(-22, 12) * 0.05)  # of the circle's own: 0.33 to 1.73
WIDE = 4  # radii to each side of an edge that is looked for
SEARCHED = (0.72, 1.33)
# The edges that are tried lie between two of the radii; which radii lie just inside and just
# outside of each, as weights of 0 and 1.
EDGES = np.sqrt(RADII[1:] * RADII[:-1])
TRIED = np.flatnonzero((SEARCHED[0] < EDGES) & (SEARCHED[1] > EDGES))
EDGES = EDGES[TRIED]
INWARDS = TRIED[:, None] - np.arange(len(RADII))
WITHIN_EDGES = ((INWARDS >= 0) & (INWARDS < WIDE)).astype(float)
BEYOND_EDGES = ((INWARDS < 0) & (INWARDS >= -WIDE)).astype(float)
TURNS, MORE_TURNS = 2, 1  # how often a circle is laid anew, and one that still moves
STILL = 0.06  # of the radius: less is no move
LEAST_SECTORS = 9
LEAST_KNOWN = 2  # sectors that have to show how the light rises within the edge
LEAST_SEEN = 0.2  # share of a sector's cells
LEAST_FREE = 0.15  # of a cell
ARC_TURNS = 4  # how often a circle is laid anew of which only an arc is seen
LEAST_ARC = 0.2  # of a turn: less of a rim is as good as straight
APART = 1.3  # cells along the rim from sector to sector, from which on their noise is their own
# Of the radius: across the edge, and on both sides further away.
INSIDE, OUTSIDE, WITHIN, BEYOND = (0.8, 0.94), (1.06, 1.23), (0.55, 0.75), (1.3, 1.6)
SLOPES = 0.6  # share of the slopes beside the edge that is not its own step


@dataclass(frozen=True)
class Fan:
    """Where sectors lie. turn: (SECTORS * RAYS,) directions of the rays, or (n, the same) if each
    circle has its own. A circle laid through edges has terms (..., SECTORS, 3) times its radius and
    shift, and products (..., SECTORS, 9) of these in pairs."""

    turn: Array
    terms: Array
    products: Array

    @classmethod
    def along(cls, turn: Array, middles: Array) -> "Fan":
        """Sectors about directions `middles`, of rays along `turn`, both in radians."""
        terms = np.stack((np.ones_like(middles), np.cos(middles), np.sin(middles)), -1)
        products = (terms[..., :, None] * terms[..., None, :]).reshape(*middles.shape, 9)
        return cls(turn, terms, products)

    @classmethod
    def over(cls, start: Array, span: Array) -> "Fan":
        """Sectors over (n,) arcs of `span` from `start` on, in radians."""
        share = span[:, None] / (2 * np.pi)
        return cls.along(start[:, None] + share * TURN, start[:, None] + share * MIDDLES)


WHOLE = Fan.along(TURN, MIDDLES)


@dataclass(frozen=True)
class DiscForms:
    """Arrays (n,). x, y, radius: in cells of the first picture. step: across the edge, as high as
    the picture's values, above 0 for what was looked for. sure: that step over its scatter; edge:
    of the part of the step that is no slope, over its scatter; sharp: that part as a share of the
    step. agreeing: share of the sectors that show it. high: the brighter part inside, or the
    darker part, and low: what lies outside, both times the sign looked for. outer: slope outside
    the edge, and pedestal: the light outside it over the smooth sky, both as shares of the step.
    sectors: how many can be seen; 0 where too few are, and then nothing else is known."""

    x: Array
    y: Array
    radius: Array
    step: Array
    sure: Array
    edge: Array
    sharp: Array
    agreeing: Array
    high: Array
    low: Array
    outer: Array
    pedestal: Array
    sectors: Array


def disc_forms(scale: Scale, sign: Array, x: Array, y: Array, radius: Array) -> DiscForms:
    """Forms of circles near (n,) x, y, radius in cells of the first picture, looked for at that
    scale; sign: (n,) 1 for what is brighter inside, -1 for what is darker."""
    x, y, radius = scale.to_scale(x), scale.to_scale(y), radius / scale.step
    moving = np.arange(len(x))
    for turn in range(TURNS + MORE_TURNS):
        near = x[moving], y[moving], radius[moving]
        shift_x, shift_y, grown = _laid(*_polar(scale, sign[moving], *near))
        x[moving] += shift_x * near[2]
        y[moving] += shift_y * near[2]
        radius[moving] *= grown
        move = np.maximum(np.hypot(shift_x, shift_y), np.abs(grown - 1))
        if turn >= TURNS - 1:
            moving = moving[move > STILL]
    return _told(scale, sign, (x, y, radius), WHOLE, np.ones(len(x)))


def arc_forms(scale: Scale, sign: Array, x: Array, y: Array, radius: Array) -> DiscForms:
    """The same as `disc_forms` of circles that lean out of the picture, from the arc seen. Where
    the sectors of a short arc lie closer than `APART`, fewer count."""
    x, y, radius = scale.to_scale(x), scale.to_scale(y), radius / scale.step
    for _ in range(ARC_TURNS):
        fan = Fan.over(*_seen_arc(scale, x, y, radius))
        shift_x, shift_y, grown = _laid(*_polar(scale, sign, x, y, radius, fan), fan)
        x, y, radius = x + shift_x * radius, y + shift_y * radius, radius * grown
    start, span = _seen_arc(scale, x, y, radius)
    own = np.minimum(1.0, radius * span / SECTORS / APART)
    own = np.where(span >= LEAST_ARC * 2 * np.pi, own, 0.0)
    return _told(scale, sign, (x, y, radius), Fan.over(start, span), own)


def leaning_out(scale: Scale, x: Array, y: Array, radius: Array) -> Array:
    """(n,) whether the rim of circles in cells of the first picture is not wholly in it."""
    _, span = _seen_arc(scale, scale.to_scale(x), scale.to_scale(y), radius / scale.step)
    return span < 2 * np.pi * (1 - 1.5 / len(TURN))


def _seen_arc(scale: Scale, x: Array, y: Array, radius: Array) -> tuple[Array, Array]:
    """(n,) start and span, in radians, of the shortest arc that holds all of the rim in view."""
    high, wide = scale.free.shape
    columns, rows = (
        x[:, None] + radius[:, None] * np.cos(TURN),
        y[:, None] + (radius[:, None] * np.sin(TURN)),
    )
    inside = (rows >= 0) & (rows <= high - 1) & (columns >= 0) & (columns <= wide - 1)
    count = len(TURN)
    # Length of the run without view that ends at each ray, going round twice.
    twice, run = np.concatenate((inside, inside), 1), np.zeros((len(x), 2 * count), int)
    for ray in range(2 * count):
        run[:, ray] = np.where(twice[:, ray], 0, 1 + (run[:, ray - 1] if ray else 0))
    longest = np.minimum(run[:, count:].max(1), count)
    first = (run[:, count:].argmax(1) + 1) % count
    step = 2 * np.pi / count
    return first * step, (count - longest) * step


def _told(
    scale: Scale, sign: Array, place: tuple[Array, Array, Array], fan: Fan, own_share: Array
) -> DiscForms:
    """What the sectors of a fan say about circles laid. own_share: (n,) of sectors, how many
    have noise of their own."""
    x, y, radius = place
    sums, weights = _polar(scale, sign, x, y, radius, fan)
    inside, seen_in = _ring(sums, weights, INSIDE)
    outside, seen_out = _ring(sums, weights, OUTSIDE)
    within, seen_within = _ring(sums, weights, WITHIN)
    beyond, seen_beyond = _ring(sums, weights, BEYOND)
    seen = (seen_in > LEAST_SEEN) & (seen_out > LEAST_SEEN)
    step = inside - outside
    fall = np.where(seen_beyond > 0.3, outside - beyond, 0.0)
    rise = _rise(within - inside, seen_within > 0.3, step)
    if fan is not WHOLE:
        # Nothing of the middle is in the picture: the slope outside has to stand for that within.
        hidden = (seen_within > 0.3).sum(1) < LEAST_KNOWN
        rise = np.where(hidden[:, None], _middle(fall, seen)[:, None], rise)
    own = step - SLOPES * (np.maximum(rise, 0) + np.maximum(fall, 0))
    whole, part = _middle(step, seen), _middle(own, seen)
    unit = np.maximum(whole, 1e-9)
    agreeing = ((own > 0.25 * part[:, None]) & seen).sum(1) / np.maximum(seen.sum(1), 1)
    counted = (seen.sum(1) * own_share).astype(int)
    return DiscForms(
        scale.to_first(x),
        scale.to_first(y),
        radius * scale.step,
        whole,
        _over_scatter(step, seen, whole) * np.sqrt(own_share),
        _over_scatter(own, seen, part) * np.sqrt(own_share),
        part / unit,
        agreeing,
        _high(sums, weights),
        _middle(outside, seen),
        _middle(fall, seen) / unit,
        _middle(outside, seen) / unit,
        np.where(counted >= LEAST_SECTORS, counted, 0),
    )


def _polar(
    scale: Scale, sign: Array, x: Array, y: Array, radius: Array, fan: Fan = WHOLE
) -> tuple[Array, Array]:
    """(n, radii, sectors) sums of the light over the rays of a sector, and of what is free."""
    away = radius[:, None, None] * RADII[:, None]
    turn = fan.turn if fan.turn.ndim == 1 else fan.turn[:, None]
    rows, columns = y[:, None, None] + away * np.sin(turn), x[:, None, None] + away * np.cos(turn)
    light, free = between_each((scale.light * scale.free, scale.free), rows, columns)
    high, wide = scale.free.shape
    inside = (rows >= 0) & (rows <= high - 1) & (columns >= 0) & (columns <= wide - 1)
    seen = inside & (free > LEAST_FREE)
    return _over_rays(light * seen) * sign[:, None, None], _over_rays(free * seen)


def _over_rays(values: Array) -> Array:
    """(n, radii, directions) -> (n, radii, sectors) sums over the rays of a sector."""
    total = values[..., 0::RAYS] + values[..., 1::RAYS]
    for ray in range(2, RAYS):
        total += values[..., ray::RAYS]
    return total


def _laid(sums: Array, weights: Array, fan: Fan = WHOLE) -> tuple[Array, Array, Array]:
    """(n,) shifts in radii and the factor on the radius that lay circles through their edges."""
    (light_in, light_out), (inner, outer) = (
        (WITHIN_EDGES @ rings, BEYOND_EDGES @ rings) for rings in (sums, weights)
    )
    step = light_in / np.maximum(inner, 1e-3) - light_out / np.maximum(outer, 1e-3)
    step[np.minimum(inner, outer) < LEAST_SEEN * WIDE * RAYS] = -np.inf
    edge, height = EDGES[step.argmax(1)], np.maximum(step.max(1), 0)
    # No sector has more say than three usual ones.
    usual = np.sort(height, axis=1)[:, SECTORS // 2, None]
    weight = np.minimum(height, 3 * np.maximum(usual, 1e-9))
    trust = weight
    for _ in range(2):
        normal = _over_sectors(trust, fan.products).reshape(-1, 3, 3) + 1e-9 * np.eye(3)
        fit = np.linalg.solve(normal, _over_sectors(trust * edge, fan.terms)[..., None])[..., 0]
        off = edge - _of_terms(fit, fan.terms)
        trust = weight / (1 + (off / 0.08) ** 2) ** 2
    shift = np.clip(fit[:, 1:], -0.3, 0.3)
    return shift[:, 0], shift[:, 1], np.clip(fit[:, 0], SEARCHED[0], SEARCHED[1])


def _of_terms(fit: Array, terms: Array) -> Array:
    """(n, SECTORS) edges of circles whose terms are (n, 3) `fit`."""
    return fit @ terms.T if terms.ndim == 2 else (terms @ fit[..., None])[..., 0]


def _over_sectors(values: Array, terms: Array) -> Array:
    """(n, SECTORS) values times terms of the sectors, added up."""
    return values @ terms if terms.ndim == 2 else (values[:, None] @ terms)[:, 0]


def _ring(sums: Array, weights: Array, between: tuple[float, float]) -> tuple[Array, Array]:
    """(n, sectors) mean light between two radii, and the share of it that can be seen."""
    rows = (between[0] <= RADII) & (between[1] >= RADII)
    seen = weights[:, rows].sum(1)
    return sums[:, rows].sum(1) / np.maximum(seen, 1e-3), seen / (rows.sum() * RAYS)


def _middle(values: Array, seen: Array) -> Array:
    """(n,) medians over the sectors seen, 0 where there are none."""
    ordered = np.sort(np.where(seen, values, np.inf), axis=1)
    count = seen.sum(1)
    rows = np.arange(len(values))
    low, high = np.maximum(count - 1, 0) // 2, count // 2
    middle = (ordered[rows, low] + ordered[rows, np.minimum(high, SECTORS - 1)]) / 2
    return np.where(count > 0, middle, 0.0)


def _over_scatter(values: Array, seen: Array, usual: Array) -> Array:
    """(n,) means over the sectors seen, over the errors that their scatter gives these. No sector
    has more say than two usual ones: stars and other discs lie across the edge."""
    most = 2 * np.abs(usual)[:, None]
    values, count = np.clip(values, -most, most) * seen, np.maximum(seen.sum(1), 1)
    mean = values.sum(1) / count
    scatter = np.sqrt(((values - mean[:, None]) ** 2 * seen).sum(1) / count)
    return mean / np.maximum(scatter / np.sqrt(count), 1e-9)


def _rise(rise: Array, seen: Array, step: Array) -> Array:
    """(n, sectors) how the light still rises within the edge. Where a star covers that, it rises as
    in the other sectors; where it covers all, as the wings of the star under the cover do: from
    there inward by twice the step at least (r^-4, Moffat 1969), so that no edge is left."""
    known = (seen.sum(1) >= LEAST_KNOWN)[:, None]
    return np.where(seen, rise, np.where(known, _middle(rise, seen)[:, None], 2 * step))


def _high(sums: Array, weights: Array) -> Array:
    """(n,) light of the brighter rings within the edge: a quarter of them are brighter still."""
    rows = INSIDE[1] > RADII
    light = sums[:, rows] / np.maximum(weights[:, rows], 1e-3)
    seen = weights[:, rows] > LEAST_SEEN * RAYS
    count, inner = len(light), int(rows.sum())
    rings = _middle(light.reshape(-1, SECTORS), seen.reshape(-1, SECTORS)).reshape(count, inner)
    known = seen.sum(2) >= 4
    ordered = np.sort(np.where(known, rings, -np.inf), axis=1)
    return ordered[np.arange(count), inner - 1 - known.sum(1) // 4]
