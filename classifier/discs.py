"""Discs and rings in the sky: dust shadows (dark) and reflections (bright).

Larger ones are known by their round edge: circles to which the slopes of the star-free sky point
from all sides (`round_edges`), laid on the edge and judged by what is the same all round
(`disc_form`). Nebulae, galaxies and haloes have no edge that is sharp, round and whole. Light far
above the sky is squeezed to its logarithm: the wings of a bright star become a gentle slope on
which the edge of a ghost stands out, and only the star's core is covered.

Bright ones that lean out of the frame are known by the arc in it, if the sky beside that is even.
Small shadows, of a few cells, are looked for with a matched filter (`small_shadows`).
"""

import numpy as np
from scipy import special

from classifier.background import SkyPicture
from classifier.disc import Disc
from classifier.disc_form import DiscForms, arc_forms, disc_forms, leaning_out
from classifier.other_light import other_light
from classifier.round_edges import Scale, circles, scales
from classifier.small_shadows import UNEVEN, out_of_the_near, small_shadows
from classifier.star_cover import Grid, star_cover
from classifier.sweeps import median_3x3

Array = np.ndarray

SMALL = 10.0  # cells: bright discs up to this radius have to be clearer
LEAST_SHADOW_PX = 7.5
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
EVEN_SKY, CLEAR = 0.35, 30.0  # such sky over the smooth one, in steps; and the step over its noise


def find_discs(
    picture: SkyPicture, surface: Array, stars: Array, fwhm_px: float, noise_adu: float
) -> tuple[list[Disc], list[Disc] | None, float]:
    """Dark and bright candidates, those with an edge first, at most 6 of each, and the depth in ADU
    from which a usual shadow would be found, NaN where that cannot be told.

    surface: (h, w) the smooth sky to take out. stars: as `find_stars` gives them, to be covered;
    fwhm_px: their width; noise_adu: noise of a pixel. Bright discs not clearly larger than a star
    are not looked for. Bright ones are None where stars cover most of the sky.
    """
    flat = np.where(picture.valid, picture.level - surface, 0.0).astype(np.float32)
    if min(flat.shape) < 24 or picture.noise_adu <= 0:
        return [], [], np.nan
    width = fwhm_px if np.isfinite(fwhm_px) else 3.0
    grid = Grid(picture.level.shape, picture.step_px, picture.x0, picture.y0)
    covered = star_cover(grid, stars, width, noise_adu, CORE) | ~picture.valid
    smallest = max(8.0, 2.5 * width) / picture.step_px
    # Stars hide no shadow for long: clipped just above the sky they weigh little beside it.
    clipped = np.where(picture.valid, np.minimum(flat, 1.5 * picture.noise_adu), 0.0)
    # Stars are bright: a shadow may be as small as they are, where sky is left between them.
    crowded = covered.mean() > CROWDED
    shadow = smallest if crowded else min(smallest, LEAST_SHADOW_PX / picture.step_px)
    calm = median_3x3(clipped)
    small, least_adu = small_shadows(calm, shadow, picture)
    squeezed = _squeezed(flat, picture.noise_adu)
    wings = star_cover(grid, stars, width, noise_adu) | ~picture.valid
    dark, bright = _round(
        scales(squeezed, ~covered), scales(squeezed, ~wings), (shadow, smallest), picture, arcs=True
    )
    ghosts = _distinct(bright)
    shadows = _distinct(out_of_the_near(calm, _distinct(dark), picture), small)
    shadows = [disc for disc in shadows if not any(_is_hole(disc, ghost) for ghost in ghosts)]
    if crowded:
        return shadows, None, least_adu
    return shadows, _distinct(ghosts, other_light(flat, ~wings, picture)), least_adu


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
    return _distinct(
        _round(scales(squeezed, free), scales(squeezed, calm), (smallest, smallest), picture)[1]
    )


def _is_hole(shadow: Disc, ghost: Disc) -> bool:
    """Whether what looks like a shadow is but the hole that the telescope's obstruction leaves."""
    within = np.hypot(shadow.x - ghost.x, shadow.y - ghost.y) + shadow.radius < ghost.radius
    return bool(ghost.has_edge and within and -shadow.step_adu < 1.3 * ghost.step_adu)


def _round(
    pyramid: list[Scale],
    calmer: list[Scale],
    smallest: tuple[float, float],
    picture: SkyPicture,
    arcs: bool = False,
) -> tuple[list[Disc], list[Disc]]:
    """Dark and bright discs by their edges, of at least so many cells radius (dark, bright).

    calmer: the same sky with the wings of stars covered too. Where these lie across the edge of a
    ghost beside its star, the rest of the edge has to tell. arcs: whether bright ones that lean
    out of the picture are looked at once more, by the arc in it.
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
        lean = (signs > 0) & leaning_out(pyramid[level], *places) if arcs else again & False
        if lean.any():
            forms = arc_forms(pyramid[level], signs[lean], *(place[lean] for place in places))
            # The end of a nebula is round over an arc more often than all round: the sky beyond
            # has to be even, and the edge beyond doubt.
            edged = _judged(forms, signs[lean], picture.noise_adu)[0] & _on_even_sky(forms)
            edged &= (_chance(forms) < BEYOND_DOUBT) & (
                _over_noise(forms, picture.noise_adu) > CLEAR
            )
            _add(found, forms, signs[lean], (edged, edged), smallest, picture)
    return found


def _add(
    found: tuple[list[Disc], list[Disc]],
    forms: DiscForms,
    signs: Array,
    judged: tuple[Array, Array],
    smallest: tuple[float, float],
    picture: SkyPicture,
) -> None:
    """Add those that are discs or may be to the dark and bright ones `found`."""
    edged, likely = judged
    heights = _heights(forms, signs, picture.noise_adu)
    largest = LARGEST_SHADOW * max(picture.level.shape)
    sized = (forms.radius >= np.where(signs > 0, smallest[1], smallest[0])) & (
        (signs > 0) | (forms.radius < largest)
    )
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
    over_noise = _over_noise(forms, noise_adu)
    seen = (forms.sectors > 0) & (forms.high > forms.low) & (over_noise > 7)
    shadow = (forms.sure > 9) & (forms.agreeing >= 0.8) & (forms.outer < 0.55)
    shadow &= (forms.pedestal > -0.3) & (forms.pedestal < 1.2)
    # What scatters more from sector to sector than noise does is a dark nebula.
    uneven2 = forms.sectors * (
        np.maximum(forms.sure, 1e-9) ** -2.0 - np.maximum(over_noise, 1e-9) ** -2.0
    )
    shadow &= uneven2 < UNEVEN**2
    chance = _chance(forms)
    enough = np.where(large, np.where(forms.sharp > 0.85, CHANCE_SHARP, CHANCE), CHANCE_SMALL)
    ghost = (chance < enough) & (forms.agreeing >= 0.85)
    ghost &= (forms.sharp > np.where(chance < BEYOND_DOUBT, 0.55, 0.62)) & (forms.outer < 0.25)
    ghost &= over_noise > np.where(large, 7, 14)
    ghost &= (forms.pedestal > -1.8) & (forms.pedestal < np.where(large, 0.6, 0.4))
    even = (chance < CHANCE_EVEN) & (forms.agreeing >= 0.8) & (forms.sectors >= 10)
    even &= _on_even_sky(forms)
    ghost |= even & (over_noise > CLEAR)
    blurred = (forms.sure > 6) & (forms.agreeing >= 0.75) & (forms.outer < 0.6)
    blurred &= (forms.pedestal > -0.5) & (forms.pedestal < 1.3)
    faint = (chance < CHANCE_FAINT) & (forms.agreeing >= 0.75) & (forms.sharp > 0.5)
    faint &= (forms.outer < 0.3) & (forms.pedestal < 0.75)
    perhaps = np.where(bright, faint, blurred)
    return seen & np.where(bright, ghost, shadow), seen & perhaps


def _on_even_sky(forms: DiscForms) -> Array:
    """(n,) whether a sharp edge stands on sky that is even beyond it, as no part of a nebula's."""
    flat = (np.abs(forms.outer) < 0.1) & (np.abs(forms.pedestal) < EVEN_SKY)
    return flat & (forms.sharp > 0.8)


def _over_noise(forms: DiscForms, noise_adu: float) -> Array:
    """(n,) steps over the noise of the means over the rings inside and outside the edge, of 0.8 and
    1.2 radii squared."""
    return forms.step * forms.radius / (1.45 * noise_adu)


def _chance(forms: DiscForms) -> Array:
    """(n,) of an edge that is none, by Student's distribution: of few sectors even a large mean
    over its scatter may be chance."""
    return special.stdtr(np.maximum(forms.sectors, 2) - 1, -forms.edge)


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
