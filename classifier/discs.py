"""Discs and rings in the sky: dust shadows (dark) and reflections (bright).

Larger ones are known by their round edge: circles to which the slopes of the star-free sky point
from all sides (`round_edges`), laid on the edge and judged by what is the same all round
(`disc_form`). Nebulae, galaxies and haloes have no edge that is sharp, round and whole. Light far
above the sky is squeezed to its logarithm: the wings of a bright star become a gentle slope on
which the edge of a ghost stands out, and only the star's core is covered.

Small shadows, of a few cells, are looked for with a matched filter, a disc less the annulus round
it. A candidate counts as a disc only if it has an edge: most of the step happens within 15 % of
the radius and in at least ten of twelve directions, between an inside and an outside that are each
even by themselves.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy import fft, special

from classifier.background import SkyPicture
from classifier.bilinear import between
from classifier.disc_form import DiscForms, disc_forms
from classifier.round_edges import Scale, circles, scales
from classifier.star_cover import Grid, star_cover
from classifier.sweeps import median, median_3x3

Array = np.ndarray

RADII = (2.5, 3.5, 5.0, 7.0, 10.0, 14.0, 20.0, 28.0, 40.0, 56.0)
SMALL = 10.0  # cells: up to this radius a matched filter looks for shadows
DIRECTIONS = 12
FOUND_SIGMA = 7.0
SQUEEZED = 3.0  # light of so many times the noise of a cell is half way to its logarithm
CORE = 60.0  # peaks over the noise: higher stars are covered as one of this height
CROWDED = 0.9  # share of covered cells from which on bright discs cannot be judged
KEPT = 6
LARGEST_SHADOW = 0.2  # of the longer side: what lies further off casts none that is seen
CHANCE, CHANCE_SMALL = 1e-7, 3e-8  # that a bright circle of a large or small disc is none
CHANCE_SHARP = 3e-6  # that a large one with an edge as sharp as no nebula has is none
BEYOND_DOUBT = 1e-9
CHANCE_FAINT = 3e-4  # the same of one that may be one
CHANCE_EVEN = 6e-4  # and of one that stands on even sky, which no part of a nebula does


@dataclass(frozen=True)
class Disc:
    """A candidate. x, y, radius: in frame pixels. step_adu: inside minus outside (dark discs below
    0). snr: of the matched filter, or of the edge. has_edge: it is a disc; else it may be one."""

    x: float
    y: float
    radius: float
    step_adu: float
    snr: float
    has_edge: bool


def find_discs(
    picture: SkyPicture, surface: Array, stars: Array, fwhm_px: float, noise_adu: float
) -> tuple[list[Disc], list[Disc] | None]:
    """Dark and bright candidates, those with an edge first, at most 6 of each.

    surface: (h, w) the smooth sky to take out. stars: as `find_stars` gives them, to be covered;
    fwhm_px: their width; noise_adu: noise of a pixel. Discs not clearly larger than a star are
    not looked for. Bright ones are None where stars cover most of the sky.
    """
    flat = np.where(picture.valid, picture.level - surface, 0.0).astype(np.float32)
    if min(flat.shape) < 24 or picture.noise_adu <= 0:
        return [], []
    width = fwhm_px if np.isfinite(fwhm_px) else 3.0
    grid = Grid(picture.level.shape, picture.step_px, picture.x0, picture.y0)
    covered = star_cover(grid, stars, width, noise_adu, CORE) | ~picture.valid
    smallest = max(8.0, 2.5 * width) / picture.step_px
    # Stars hide no shadow for long: clipped just above the sky they weigh little beside it.
    clipped = np.where(picture.valid, np.minimum(flat, 1.5 * picture.noise_adu), 0.0)
    small = _search(median_3x3(clipped), -1, smallest, picture, largest=SMALL)
    squeezed = _squeezed(flat, picture.noise_adu)
    wings = star_cover(grid, stars, width, noise_adu) | ~picture.valid
    dark, bright = _round(scales(squeezed, ~covered), scales(squeezed, ~wings), smallest, picture)
    ghosts = _distinct(bright)
    shadows = _distinct(dark, small)
    shadows = [disc for disc in shadows if not any(_is_hole(disc, ghost) for ghost in ghosts)]
    return shadows, None if covered.mean() > CROWDED else ghosts


def find_round(
    flat: Array, free: Array, calm: Array, picture: SkyPicture, smallest: float
) -> list[Disc]:
    """Bright discs and rings by their round edges, those with an edge first, of at least `smallest`
    cells radius, in a sky laid together from many frames.

    flat: (h, w) that sky less its slow part. free: bool, where no bright star hides it, and calm:
    where none's wings do either. picture: its geometry and noise.
    """
    if min(flat.shape) < 24 or picture.noise_adu <= 0:
        return []
    squeezed = _squeezed(flat, picture.noise_adu)
    return _distinct(_round(scales(squeezed, free), scales(squeezed, calm), smallest, picture)[1])


def _is_hole(shadow: Disc, ghost: Disc) -> bool:
    """Whether what looks like a shadow is but the hole that the telescope's obstruction leaves."""
    within = np.hypot(shadow.x - ghost.x, shadow.y - ghost.y) + shadow.radius < ghost.radius
    return bool(ghost.has_edge and within and -shadow.step_adu < 1.3 * ghost.step_adu)


def _round(
    pyramid: list[Scale], calmer: list[Scale], smallest: float, picture: SkyPicture
) -> tuple[list[Disc], list[Disc]]:
    """Dark and bright discs by their edges, of at least `smallest` cells radius.

    calmer: the same sky with the wings of stars covered too. Where these lie across the edge of a
    ghost beside its star, the rest of the edge has to tell.
    """
    found: tuple[list[Disc], list[Disc]] = [], []
    largest = 1.5 * LARGEST_SHADOW * max(picture.level.shape)
    for index, scale in enumerate(pyramid):
        some = [one for one in circles(scale) if one.sign > 0 or one.radius < largest]
        if not some:
            continue
        signs, *places = (
            np.array([getattr(circle, name) for circle in some])
            for name in ("sign", "x", "y", "radius")
        )
        # Votes are counted where noise is low; edges are looked at where they are sharp.
        level = max(0, index - 1)
        forms = disc_forms(pyramid[level], signs, *places)
        edged, likely = _judged(forms, signs, picture.noise_adu)
        _add(found, forms, signs, (edged, likely), smallest, picture)
        again = (signs > 0) & ~edged & (forms.agreeing > 0.5) & (forms.edge > 2)
        if again.any():
            forms = disc_forms(calmer[level], signs[again], *(place[again] for place in places))
            edged = _judged(forms, signs[again], picture.noise_adu)[0] & (_chance(forms) < CHANCE)
            _add(found, forms, signs[again], (edged, edged), smallest, picture)
    return found


def _add(
    found: tuple[list[Disc], list[Disc]],
    forms: DiscForms,
    signs: Array,
    judged: tuple[Array, Array],
    smallest: float,
    picture: SkyPicture,
) -> None:
    """Add those that are discs or may be to the dark and bright ones `found`."""
    edged, likely = judged
    heights = _heights(forms, signs, picture.noise_adu)
    largest = LARGEST_SHADOW * max(picture.level.shape)
    sized = (forms.radius >= smallest) & ((signs > 0) | (forms.radius < largest))
    for one in np.flatnonzero((edged | likely) & sized):
        x, y = picture.to_frame(float(forms.x[one]), float(forms.y[one]))
        sign = int(signs[one])
        disc = Disc(
            x=x,
            y=y,
            radius=float(forms.radius[one]) * picture.step_px,
            step_adu=sign * float(heights[one]),
            snr=float(forms.edge[one] if sign > 0 else forms.sure[one]),
            has_edge=bool(edged[one]),
        )
        found[sign > 0].append(disc)


def _squeezed(light: Array, noise_adu: float) -> Array:
    unit = SQUEEZED * noise_adu
    return np.where(light > 0, unit * np.arcsinh(light / unit), light).astype(np.float32)


def _heights(forms: DiscForms, signs: Array, noise_adu: float) -> Array:
    """(n,) how far each stands above the sky beside it, or below it, no longer squeezed."""
    unit = SQUEEZED * noise_adu
    high, low = (
        np.where(light > 0, unit * np.sinh(np.minimum(light / unit, 50)), light)
        for light in (signs * forms.high, signs * forms.low)
    )
    return signs * (high - low)


def _judged(forms: DiscForms, signs: Array, noise_adu: float) -> tuple[Array, Array]:
    """(n,) whether each is a disc, and whether it may be one.

    A shadow's edge is as wide as the mote, so that only its step has to be the same all round. A
    reflection's is sharp: nothing of what slopes beside it counts. It may be uneven where the sky
    round it is even; small ones, of which fields of stars make many, have to be clearer.
    """
    bright, large = signs > 0, forms.radius > SMALL
    # Noise of the mean over the rings inside and outside the edge, of 0.8 and 1.2 radii squared.
    over_noise = forms.step * forms.radius / (1.45 * noise_adu)
    seen = (forms.sectors > 0) & (forms.high > forms.low) & (over_noise > 7)
    shadow = (forms.sure > 9) & (forms.agreeing >= 0.8) & (forms.outer < 0.55)
    shadow &= (forms.pedestal > -0.3) & (forms.pedestal < 1.2)
    chance = _chance(forms)
    enough = np.where(large, np.where(forms.sharp > 0.85, CHANCE_SHARP, CHANCE), CHANCE_SMALL)
    ghost = (chance < enough) & (forms.agreeing >= 0.85)
    ghost &= (forms.sharp > np.where(chance < BEYOND_DOUBT, 0.55, 0.62)) & (forms.outer < 0.25)
    ghost &= over_noise > np.where(large, 7, 14)
    ghost &= (forms.pedestal > -1.8) & (forms.pedestal < np.where(large, 0.6, 0.4))
    even = (chance < CHANCE_EVEN) & (forms.agreeing >= 0.8) & (forms.sharp > 0.8)
    even &= forms.sectors >= 10
    even &= (np.abs(forms.outer) < 0.1) & (np.abs(forms.pedestal) < 0.35)
    ghost |= even & (over_noise > 30)
    blurred = (forms.sure > 6) & (forms.agreeing >= 0.75) & (forms.outer < 0.6)
    blurred &= (forms.pedestal > -0.5) & (forms.pedestal < 1.3)
    faint = (chance < CHANCE_FAINT) & (forms.agreeing >= 0.75) & (forms.sharp > 0.5)
    faint &= (forms.outer < 0.3) & (forms.pedestal < 0.75)
    perhaps = np.where(bright, faint, blurred)
    return seen & np.where(bright, ghost, shadow), seen & perhaps


def _chance(forms: DiscForms) -> Array:
    """(n,) of an edge that is none, by Student's distribution: of few sectors even a large mean
    over its scatter may be chance."""
    return special.stdtr(np.maximum(forms.sectors, 2) - 1, -forms.edge)


def _search(
    calm: Array,
    sign: int,
    smallest: float,
    picture: SkyPicture,
    least_sigma: float = FOUND_SIGMA,
    largest: float = RADII[-1],
) -> list[Disc]:
    """Candidates of one sign at all radii from `smallest` to `largest` (in cells)."""
    transform = fft.rfft2(calm, workers=1)
    found: list[Disc] = []
    for radius in RADII:
        if radius > largest or 3.4 * radius > min(calm.shape):
            break
        if radius >= smallest:
            response, sigma = _response(transform, calm.shape, radius, picture.noise_adu)
            unit = sigma * least_sigma / FOUND_SIGMA
            found.extend(_peaks(sign * response, unit, sign, radius, calm, picture))
    return found


@lru_cache(maxsize=2 * len(RADII))
def _kernel(shape: tuple[int, int], radius: float) -> tuple[Array, int, float]:
    """Transform of the filter, how far it reaches, and its noise for white noise of 1."""
    reach = int(np.ceil(1.6 * radius))
    axis = np.arange(-reach, reach + 1)
    distance = np.hypot(axis[None], axis[:, None])
    inside, around = distance <= radius, (distance > 1.15 * radius) & (distance <= 1.6 * radius)
    kernel = inside / inside.sum() - around / around.sum()
    full = np.zeros(shape, np.float32)
    full[: 2 * reach + 1, : 2 * reach + 1] = kernel
    full = np.roll(full, (-reach, -reach), (0, 1))
    white = float(np.sqrt(1 / inside.sum() + 1 / around.sum()))
    return np.conj(fft.rfft2(full, workers=1)), reach, white


def _response(
    transform: Array, shape: tuple[int, int], radius: float, noise: float
) -> tuple[Array, float]:
    """Disc mean minus annulus mean at every cell, and its noise."""
    kernel, reach, area = _kernel(shape, radius)
    response = fft.irfft2(transform * kernel, s=shape, workers=1)
    # Structure of the sky makes the filter's output wider than noise alone would. It is smooth
    # over a part of the radius, so that not every cell need be asked.
    step = max(2, int(radius / 3))
    inner = response[reach:-reach:step, reach:-reach:step]
    wide = 1.4826 * median(np.abs(inner - median(inner)))
    white = noise * area
    edge = int(np.ceil(radius))
    response[:edge], response[-edge:] = 0.0, 0.0
    response[:, :edge], response[:, -edge:] = 0.0, 0.0
    return response, max(wide, white)


def _peaks(
    response: Array, sigma: float, sign: int, radius: float, calm: Array, picture: SkyPicture
) -> list[Disc]:
    found = []
    rest = response.copy()
    reach = int(np.ceil(1.2 * radius))
    for _ in range(4):
        row, column = np.unravel_index(int(rest.argmax()), rest.shape)
        snr = float(rest[row, column]) / sigma
        if snr < FOUND_SIGMA:
            break
        found.append(_examine(calm, int(row), int(column), radius, sign, snr, picture))
        rest[max(0, row - reach) : row + reach + 1, max(0, column - reach) : column + reach + 1] = 0
    return found


def _examine(
    calm: Array, row: int, column: int, radius: float, sign: int, snr: float, picture: SkyPicture
) -> Disc:
    """Step, sharpness and agreement over directions, at the radius where the edge is steepest."""
    turn = (np.arange(4 * DIRECTIONS) + 0.5) / (4 * DIRECTIONS) * 2 * np.pi
    best = (0.0, radius, 0.0, 0, 1.0, 1.0)
    for tried in radius * np.array([0.8, 0.9, 1.0, 1.12, 1.25]):
        r = np.array([0.5, 0.6, 0.7, 0.8, 0.87, 1.13, 1.2, 1.3, 1.4, 1.5]) * tried
        x, y = column + r[:, None] * np.cos(turn), row + r[:, None] * np.sin(turn)
        polar = sign * between(calm, y, x)
        sectors = polar.reshape(len(r), DIRECTIONS, 4).mean(2)
        fans = polar.reshape(len(r), DIRECTIONS, 4)
        inside, outside = np.median(fans[:4], axis=(0, 2)), np.median(fans[6:], axis=(0, 2))
        step = median(inside - outside)
        if step <= 0:
            continue
        # The picture's own blur of about a cell lowers the edge of a small disc.
        edge = median(sectors[4] - sectors[5]) / step * (1 + 1.5 / tried)
        agreeing = int((inside - outside > 0.4 * step).sum())
        # A sector mean holds some 10 independent cells, or fewer where the disc is small.
        white = 2 * picture.noise_adu**2 / np.clip(0.13 * tried**2, 1, 16)
        uneven = max(np.var(inside), np.var(outside)) - white
        slope = abs(median(sectors[:2]) - median(sectors[2:4]))
        unevenness = max(float(max(uneven, 0.0)) ** 0.5, 0.8 * slope) / step
        if edge * step > best[2] * best[0]:
            pedestal = abs(median(outside)) / step
            best = (step, float(tried), edge, agreeing, unevenness, pedestal)
    step, tried, sharpness, agreeing, unevenness, pedestal = best
    # Bright patches of nebulae are common, round dark ones are not; and a shadow blurs with its
    # distance from the sensor.
    sharp, on_sky = (0.7, 0.5) if sign > 0 else (0.48, 1.0)
    even = unevenness < 0.3 and pedestal < on_sky
    x, y = picture.to_frame(column, row)
    return Disc(
        x=x,
        y=y,
        radius=tried * picture.step_px,
        step_adu=sign * step,
        snr=snr,
        has_edge=bool(sharpness > sharp and agreeing >= DIRECTIONS - 2 and even),
    )


def _distinct(*lists: list[Disc]) -> list[Disc]:
    """Those with an edge first, then by list, the strongest of each first; one per place."""
    kept: list[Disc] = []
    ordered = [disc for discs in lists for disc in sorted(discs, key=lambda d: -d.snr)]
    for disc in sorted(ordered, key=lambda d: not d.has_edge):
        if all(
            np.hypot(disc.x - k.x, disc.y - k.y) > 0.8 * max(disc.radius, k.radius) for k in kept
        ):
            kept.append(disc)
    return kept[:KEPT]
