"""Stars of a frame: found with sep, measured on cut-outs, as one structured array.

Definitions
    flux         ADU within four Gaussian sigma of a typical star, for the 400 brightest; above
                 the detection threshold for the others
    hfr_px       half-flux radius: the circle of this radius holds half of the star's flux, the
                 whole being what lies inside the cut-out's inscribed circle (six Gaussian sigma)
    fwhm_px      2 sqrt(ln 2 (a^2 + b^2)) of Gaussian-weighted moments whose weight matches the
                 star, freed from the weight; exact for a Gaussian, pixel integration included
    elongation   a / b of moments under a round weight 3.5 times as wide as the star, freed
                 from the weight and from the bias that noise adds; 1 for a round star
    angle_deg    long axis, from +x (first FITS axis) towards +y, in [0, 180)
    snr          flux over the sky noise in its aperture; the star's own photons are left out
Shapes are NaN for stars that were only counted: saturated, blended, at the edge, or too faint.
"""

from dataclasses import dataclass

import numpy as np
import sep
from scipy.spatial import cKDTree

from classifier.background import BINOMIAL_VARIANCE, Background, Window
from classifier.detection import binned, coarseness, detect, saturation_level
from classifier.shapes import moments
from classifier.sweeps import medians

Array = np.ndarray

STAR = np.dtype(
    [
        ("x", "f4"),
        ("y", "f4"),
        ("flux", "f4"),
        ("peak", "f4"),
        ("snr", "f4"),
        ("hfr_px", "f4"),
        ("fwhm_px", "f4"),
        ("elongation", "f4"),
        ("angle_deg", "f4"),
        ("e1", "f4"),  # (X2 - Y2) / (X2 + Y2)
        ("e2", "f4"),  # 2 XY / (X2 + Y2)
        ("inner_e1", "f4"),  # both without the wings, NaN where unknown
        ("inner_e2", "f4"),
        ("saturated", "?"),
        ("blended", "?"),
        ("edge", "?"),
        ("long", "?"),  # more than twice as long as wide, above the threshold
        ("shaped", "?"),
    ]
)

SHAPES = ("hfr_px", "fwhm_px", "elongation", "angle_deg", "e1", "e2", "inner_e1", "inner_e2")
SHAPE_SNR = 25.0
MAX_SHAPED = 300
MAX_HALF_PX = 24
MAX_APERTURES = 400
ODD_SIZE = 2.0
HALVINGS = 7


@dataclass(frozen=True)
class Field:
    """The stars of a frame and the cut-outs of those that were shaped.

    stars: structured array of STAR, brightest first. stamps: (n, S, S) float32, light around the
    stars with `shaped` set, in their order, local sky taken out; bin_px frame pixels to a side
    of one stamp pixel. centres: (n, 2) x, y of the star in its stamp. count: stars in the whole
    frame, which for frames seen through windows is scaled by the area seen.
    """

    stars: Array
    stamps: Array
    centres: Array
    bin_px: int
    count: float
    noise_adu: float  # of a stamp pixel


def find_stars(background: Background, saturation_adu: float | None = None) -> Field:
    """Find and measure stars; both arrays are empty where there are none."""
    saturated_from = saturation_level(background, saturation_adu)
    native = [detect(window, background.mosaic, 1) for window in background.windows]
    bin_px = coarseness(background, native)
    found = native
    if bin_px > 1:
        found = [detect(window, background.mosaic, bin_px) for window in background.windows]
    lists = [
        _as_stars(objects, window, bin_px, saturated_from)
        for objects, window in zip(found, background.windows, strict=True)
    ]
    owner = np.repeat(np.arange(len(lists)), [len(stars) for stars in lists])
    stars = np.concatenate(lists) if lists else np.zeros(0, STAR)
    order = np.argsort(-stars["flux"], kind="stable")
    stars, owner = stars[order], owner[order]
    sizes = np.concatenate([objects["a"] for objects in found])[order] * bin_px
    count = len(stars) / max(1e-6, min(1.0, background.sampled_share))
    noise = float(np.median([window.noise_adu for window in background.windows])) / bin_px
    typical_px = _typical_size(stars, sizes)
    _aperture_flux(stars, owner, background.windows, typical_px)
    stars["blended"] = _blended(stars, owner, typical_px)
    half = int(np.clip(np.ceil(6 * typical_px / bin_px), 7, MAX_HALF_PX))
    chosen = _choose(stars, half * bin_px, background, owner)
    stamps, centres = _cut(stars, owner, chosen, background.windows, half, bin_px)
    chosen = _measure(stars, chosen, stamps, centres, bin_px, noise, typical_px, background.mosaic)
    stamps, centres = stamps[chosen], centres[chosen]
    return Field(stars, stamps, centres, bin_px, count, noise)


def _as_stars(objects: Array, window: Window, bin_px: int, saturated_from: float) -> Array:
    stars = np.zeros(len(objects), STAR)
    offset = (bin_px - 1) / 2
    x, y = objects["x"] * bin_px + offset, objects["y"] * bin_px + offset
    stars["x"], stars["y"] = x + window.x0, y + window.y0
    stars["flux"] = objects["flux"] * bin_px**2
    stars["peak"] = objects["peak"]
    stars["long"] = objects["a"] > 2 * objects["b"]
    pixels = np.maximum(objects["npix"], 1) * bin_px**2
    stars["snr"] = stars["flux"] / (window.noise_adu * np.sqrt(pixels))
    height, width = window.raw.shape
    column = np.clip(objects["xpeak"] * bin_px, 0, width - 1)
    row = np.clip(objects["ypeak"] * bin_px, 0, height - 1)
    reach = np.arange(-1, bin_px + 1)
    rows = np.clip(row[:, None] + reach, 0, height - 1)
    columns = np.clip(column[:, None] + reach, 0, width - 1)
    highest = window.raw[rows[:, :, None], columns[:, None]].max((1, 2))
    stars["saturated"] = highest >= saturated_from
    for name in SHAPES:
        stars[name] = np.nan
    return stars


def _typical_size(stars: Array, sizes: Array) -> float:
    """Median Gaussian sigma in px of good stars; faint ones are cut by the threshold."""
    good = ~stars["saturated"] & (stars["snr"] > SHAPE_SNR)
    if good.sum() < 5:
        good = stars["snr"] > 0
    picked = sizes[good][:200]
    return float(np.median(picked)) if len(picked) else 1.5


def _aperture_flux(
    stars: Array, owner: Array, windows: tuple[Window, ...], typical_px: float
) -> None:
    """Replace the flux above the threshold by that within four sigma, for the brightest; in
    place. Subs of different sharpness then give the same flux for the same star."""
    bright = np.arange(len(stars)) < MAX_APERTURES
    for index, window in enumerate(windows):
        mine = np.nonzero((owner == index) & bright)[0]
        if not len(mine) or min(window.light.shape) < 16 * typical_px:
            continue
        x = stars["x"][mine].astype(float) - window.x0
        y = stars["y"][mine].astype(float) - window.y0
        ring = (5 * typical_px, 7 * typical_px)
        flux, _, _ = sep.sum_circle(window.light, x, y, 4 * typical_px, bkgann=ring, subpix=3)
        stars["flux"][mine] = np.where(flux > 0, flux, stars["flux"][mine])


def _blended(stars: Array, owner: Array, typical_px: float) -> Array:
    """Whether another star of at least a tenth of the flux lies within six sigma."""
    blended = np.zeros(len(stars), bool)
    if len(stars) < 2:
        return blended
    points = np.c_[stars["x"], stars["y"], owner * 1e6]  # windows may overlap: keep them apart
    for first, second in cKDTree(points).query_pairs(6.0 * typical_px):
        one, two = stars["flux"][first], stars["flux"][second]
        blended[first] |= two > 0.1 * one
        blended[second] |= one > 0.1 * two
    return blended


def _choose(stars: Array, reach_px: float, background: Background, owner: Array) -> Array:
    """Indices of the stars to shape: isolated, unsaturated, off the edges, best S/N first."""
    for index, window in enumerate(background.windows):
        mine = owner == index
        height, width = window.raw.shape
        x, y = stars["x"] - window.x0, stars["y"] - window.y0
        near = np.minimum(np.minimum(x, y), np.minimum(width - 1 - x, height - 1 - y)) < reach_px
        stars["edge"] |= mine & near
    usable = ~stars["saturated"] & ~stars["edge"]
    for snr, also_blended in ((SHAPE_SNR, False), (10.0, False), (10.0, True)):
        good = usable & (stars["snr"] > snr) & (also_blended | ~stars["blended"])
        if good.sum() >= 12:
            break
    chosen = np.nonzero(good)[0]
    best = np.argsort(-stars["snr"][chosen], kind="stable")[:MAX_SHAPED]
    return np.sort(chosen[best])  # in the order of `stars`


def _cut(
    stars: Array,
    owner: Array,
    chosen: Array,
    windows: tuple[Window, ...],
    half: int,
    bin_px: int,
) -> tuple[Array, Array]:
    """Cut-outs of the chosen stars, the median of their outermost ring taken out."""
    side = 2 * half + 1
    stamps = np.zeros((len(chosen), side, side), np.float32)
    centres = np.zeros((len(chosen), 2), np.float32)
    span = np.arange(-half, half + 1)
    offset = (bin_px - 1) / 2
    for index, window in enumerate(windows):
        mine = np.nonzero(owner[chosen] == index)[0]
        if not len(mine):
            continue
        light = binned(window.light, bin_px)
        x = (stars["x"][chosen[mine]] - window.x0 - offset) / bin_px
        y = (stars["y"][chosen[mine]] - window.y0 - offset) / bin_px
        column, row = np.rint(x).astype(int), np.rint(y).astype(int)
        rows = np.clip(row[:, None] + span, 0, light.shape[0] - 1)
        columns = np.clip(column[:, None] + span, 0, light.shape[1] - 1)
        stamps[mine] = light[rows[:, :, None], columns[:, None, :]]
        centres[mine, 0], centres[mine, 1] = x - column + half, y - row + half
    radius = np.hypot(*np.meshgrid(span, span))
    if len(chosen):
        ring = (radius > half - 1.5) & (radius <= half + 1)
        stamps -= medians(stamps[:, ring])[:, None, None]
    return stamps, centres


def _measure(
    stars: Array,
    chosen: Array,
    stamps: Array,
    centres: Array,
    bin_px: int,
    noise: float,
    typical_px: float,
    mosaic: bool,
) -> Array:
    """Fill the shapes of the chosen stars in place; returns which of them succeeded (bool)."""
    if not len(chosen):
        return np.zeros(0, bool)
    shape = moments(stamps, centres, noise, typical_px / bin_px)
    extra = BINOMIAL_VARIANCE if mosaic and bin_px == 1 else 0.0
    core = np.maximum(shape.core_variance - extra, 0.05)
    # The round part of the wide moments is widened too, so e must be scaled to the true size.
    dilution = shape.wide_variance / np.maximum(shape.wide_variance - extra, 0.05)
    e1, e2 = shape.e1 * dilution, shape.e2 * dilution
    bias = shape.e_noise * dilution
    size = np.sqrt(np.maximum(e1**2 + e2**2 - 2 * bias**2, 0.0)).clip(0, 0.98)
    radii = _half_flux(stamps, shape.centres)
    centres[:] = shape.centres
    good = shape.good & np.isfinite(radii) & (np.hypot(e1, e2) < 1.0)
    # Galaxies, unnoticed saturation and clumps are far larger or smaller than the stars.
    if good.any():
        usual = float(np.median(core[good]))
        good &= (core < ODD_SIZE**2 * usual) & (core > usual / ODD_SIZE**2)
    stars["shaped"][chosen[good]] = True
    at = chosen[good]
    stars["fwhm_px"][at] = 2 * np.sqrt(2 * np.log(2) * core[good]) * bin_px
    # The aperture sum spreads each pixel's light over its square once more (variance 1/12).
    hfr = np.sqrt(np.maximum(radii**2 - 2 * np.log(2) * (extra + 1 / 12), 0.1))
    stars["hfr_px"][at] = hfr[good] * bin_px
    stars["elongation"][at] = np.sqrt((1 + size[good]) / (1 - size[good]))
    stars["angle_deg"][at] = np.rad2deg(0.5 * np.arctan2(e2[good], e1[good])) % 180
    stars["e1"][at], stars["e2"][at] = e1[good], e2[good]
    variance = shape.inner[good, 0]
    dilution = variance / np.maximum(variance - extra, 0.05)
    stars["inner_e1"][at], stars["inner_e2"][at] = (shape.inner[good, 1:] * dilution[:, None]).T
    stars["x"][at] += (shape.shift[good, 0]) * bin_px
    stars["y"][at] += (shape.shift[good, 1]) * bin_px
    return good


def _half_flux(stamps: Array, centres: Array) -> Array:
    """Half-flux radii in stamp pixels, NaN where there is no light, by sep's exact circles on a
    sheet of the cut-outs laid side by side.

    The radius is halved in, then taken from between the last two, light growing with the area:
    within 0.2 % of the true one, in a quarter of the time that sep's own search takes for 0.7 %.
    """
    n, side, _ = stamps.shape
    sheet = np.ascontiguousarray(stamps.reshape(n * side, side))
    x, y = centres[:, 0], centres[:, 1] + side * np.arange(n)
    # Cut-outs at the ends of the sheet are truncated by nothing: the circle fits in each.
    low, high = np.zeros(n), np.full(n, side // 2 - 1.0)
    whole = sep.sum_circle(sheet, x, y, high, subpix=0)[0]
    inner, outer = np.zeros(n), whole
    for _ in range(HALVINGS):
        radius = (low + high) / 2
        light = sep.sum_circle(sheet, x, y, radius, subpix=0)[0]
        beyond = light < whole / 2
        low, inner = np.where(beyond, (radius, light), (low, inner))
        high, outer = np.where(beyond, (high, outer), (radius, light))
    share = (whole / 2 - inner) / np.maximum(outer - inner, 1e-9)
    radii = np.sqrt(low**2 + np.clip(share, 0, 1) * (high**2 - low**2))
    return np.where(whole > 0, radii, np.nan)
