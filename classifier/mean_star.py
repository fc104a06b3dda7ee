"""The mean star: cut-outs laid over one another, and what its form says.

One star is too noisy for a hole, a double image or a lopsided wing; the median of a hundred is
not. Everything here is in cut-out pixels, so it holds for binned cut-outs of wide rings too.
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy import ndimage

from classifier.bilinear import between
from classifier.shapes import moments
from classifier.sweeps import median, medians

Array = np.ndarray

MAX_STACKED = 150


@dataclass(frozen=True)
class MeanStar:
    """Median of flux-normalised cut-outs, with its form.

    image: (S, S) float32, summing to about 1, centred at S // 2. stars: how many went in.
    noise: of one pixel. hfr, fwhm: half-flux radius and full width of the radial profile at
    half of its maximum. elongation, angle_deg: of its moments. dip: how far the centre lies
    below the brightest ring, as a share of that; dip_sigma: its significance. lobes: how far
    the middle lies below the lower of two maxima along the long axis; lobe_ratio: lower maximum
    over higher; lobe_distance: between them. skew, skew_deg: length and direction of the
    lopsided third moment over size cubed (bright wing points there); skew_noise: its error.
    narrow_fwhm: across the long axis, by moments.
    hole_offset: of a ring's hole from the centre of its outline, over the outline's diameter.
    asymmetry: half of the light that is not the same when the image is turned by 180 degrees.
    """

    image: Array
    stars: int
    noise: float
    hfr: float
    fwhm: float
    elongation: float
    angle_deg: float
    narrow_fwhm: float
    dip: float
    dip_sigma: float
    lobes: float
    lobe_ratio: float
    lobe_distance: float
    skew: float
    skew_deg: float
    skew_noise: float
    hole_offset: float
    asymmetry: float


def mean_star(stamps: Array, centres: Array) -> MeanStar | None:
    """(n, S, S) cut-outs and (n, 2) centres -> MeanStar; None with fewer than 3 cut-outs."""
    if len(stamps) < 3:
        return None
    stamps, centres = stamps[:MAX_STACKED], centres[:MAX_STACKED]
    half = stamps.shape[1] // 2
    moved = _centred(stamps, half - centres)
    distance = _distance(half)
    flux = moved[:, distance <= half].sum(1)
    flux = np.where(flux > 0, flux, np.inf)
    image = medians(moved / flux[:, None, None], axis=0).astype(np.float32)
    rim = image[(distance > half - 2) & (distance <= half)]
    image -= np.median(rim)
    spread = 1.4826 * median(np.abs(rim - median(rim)))
    # The median over n stars of pixel noise; the rim may be all but empty of noise.
    noise = max(spread, 1e-7)
    total = float(image[distance <= half].sum())
    if total <= 0:
        return None
    image /= total
    noise /= total
    shape = moments(image[None], np.array([[half, half]]), noise, max(1.0, half / 6))
    size = float(np.hypot(shape.e1[0], shape.e2[0]).clip(0, 0.98)) if shape.good[0] else 0.0
    angle = float(np.rad2deg(0.5 * np.arctan2(shape.e2[0], shape.e1[0])) % 180)
    radii, profile = _profile(image, distance, half)
    hfr = _half_flux(image, distance, half)
    dip, dip_sigma = _dip(image, distance, hfr, radii, profile, noise)
    variance = float(shape.wide_variance[0])
    lobes, ratio, apart = _lobes(image, angle, size, variance, half)
    skew, skew_deg, skew_noise = _skew(image, float(shape.core_variance[0]), noise, half)
    turned = image[::-1, ::-1]
    inside = distance <= min(half, 3 * hfr)
    asymmetry = 0.5 * float(np.abs(image - turned)[inside].sum() / image[inside].sum())
    return MeanStar(
        image=image,
        stars=len(stamps),
        noise=noise,
        hfr=hfr,
        fwhm=_full_width(radii, profile),
        elongation=float(np.sqrt((1 + size) / (1 - size))),
        angle_deg=angle,
        narrow_fwhm=2.3548 * float(np.sqrt(max(variance * (1 - size), 0.1))),
        dip=dip,
        dip_sigma=dip_sigma,
        lobes=lobes,
        lobe_ratio=ratio,
        lobe_distance=apart,
        skew=skew,
        skew_deg=skew_deg,
        skew_noise=skew_noise,
        hole_offset=_hole_offset(image, distance, hfr) if dip > 0.15 else 0.0,
        asymmetry=asymmetry,
    )


def _distance(half: int) -> Array:
    axis = np.arange(-half, half + 1, dtype=np.float32)
    return np.hypot(axis[None], axis[:, None])


def _centred(stamps: Array, shifts: Array) -> Array:
    """Cut-outs moved by (n, 2) x, y of less than about two pixels, by cubic convolution."""
    whole = np.rint(shifts).astype(int).clip(-3, 3)
    part = (shifts - whole).clip(-1, 1).astype(np.float32)
    side, pad = stamps.shape[1], 5
    wide = np.pad(stamps, ((0, 0), (pad, pad), (pad, pad)), mode="edge")
    across, down = (_weights(_cubic(part[:, k]), whole[:, k], side, pad) for k in (0, 1))
    return down @ wide @ across.swapaxes(1, 2)


def _weights(kernel: Array, whole: Array, side: int, pad: int) -> Array:
    """(n, 4) weights and (n,) whole steps -> (n, side, side + 2 pad) matrices that move a line of
    pixels, the first `pad` of which lie before the cut-out."""
    weights = np.zeros((len(whole), side, side + 2 * pad), np.float32)
    star, row = np.arange(len(whole))[:, None], np.arange(side)[None]
    for k in range(4):
        weights[star, row, row + pad - whole[:, None] + k - 2] = kernel[:, k, None]
    return weights


def _cubic(shift: Array) -> Array:
    """(n, 4) weights of pixels -2, -1, 0, +1 for a move by shift (Keys 1981, a = -1/2, from
    memory); for negative shifts the window is that of shift + 1 at one pixel more."""
    position = np.array([-2.0, -1.0, 0.0, 1.0], np.float32)[None] + shift[:, None]
    d = np.abs(position)
    near = 1.5 * d**3 - 2.5 * d**2 + 1
    far = -0.5 * d**3 + 2.5 * d**2 - 4 * d + 2
    weights = np.where(d <= 1, near, np.where(d < 2, far, 0.0))
    return (weights / weights.sum(1, keepdims=True)).astype(np.float32)


def _profile(image: Array, distance: Array, half: int) -> tuple[Array, Array]:
    """Radial mean in rings of one pixel: radii and values."""
    ring = np.rint(distance).astype(int)
    inside = ring <= half
    counts = np.bincount(ring[inside])
    radii = np.bincount(ring[inside], distance[inside]) / counts
    return radii, np.bincount(ring[inside], image[inside]) / counts


def _half_flux(image: Array, distance: Array, half: int) -> float:
    order = np.argsort(distance, axis=None)
    radius, light = distance.ravel()[order], np.cumsum(image.ravel()[order])
    inside = radius <= half
    radius, light = radius[inside], light[inside]
    # A disc of k whole pixels has the radius sqrt(k / pi).
    at = np.sqrt(np.arange(1, len(light) + 1) / np.pi)
    first = int(np.argmax(light >= 0.5 * light[-1]))
    if first == 0:
        return float(at[0])
    low, high = light[first - 1], light[first]
    return float(
        at[first - 1] + (0.5 * light[-1] - low) / (high - low) * (at[first] - at[first - 1])
    )


def _full_width(radii: Array, profile: Array) -> float:
    top = float(profile.max())
    peak = int(profile.argmax())
    below = np.nonzero(profile[peak:] < top / 2)[0]
    if not len(below):
        return float(2 * radii[-1])
    k = peak + int(below[0])
    slope = profile[k - 1] - profile[k]
    return float(
        2 * (radii[k - 1] + (profile[k - 1] - top / 2) / slope * (radii[k] - radii[k - 1]))
    )


def _dip(
    image: Array, distance: Array, hfr: float, radii: Array, profile: Array, noise: float
) -> tuple[float, float]:
    """Depth of a central hole below the brightest ring, and its significance.

    Below a half-flux radius of 2 px a hole cannot be told from the sampling: 0.
    """
    if hfr < 2.0:
        return 0.0, 0.0
    centre = distance <= max(0.8, 0.25 * hfr)
    ring = (radii > 0.45 * hfr) & (radii < 1.6 * hfr)
    if not ring.any():
        return 0.0, 0.0
    top = float(profile[ring].max())
    low = float(image[centre].mean())
    if top <= 0:
        return 0.0, 0.0
    return 1 - low / top, (top - low) / (noise / np.sqrt(centre.sum()))


def _lobes(
    image: Array, angle_deg: float, size: float, variance: float, half: int
) -> tuple[float, float, float]:
    """Dip between two maxima along the long axis, their ratio and distance."""
    if size < 0.1:
        return 0.0, 1.0, 0.0
    minor = np.sqrt(max(variance * (1 - size), 0.3))
    turn = np.deg2rad(angle_deg)
    along = np.arange(-half, half + 0.25, 0.25)
    across = np.linspace(-minor, minor, 7)
    x = half + along[:, None] * np.cos(turn) - across[None] * np.sin(turn)
    y = half + along[:, None] * np.sin(turn) + across[None] * np.cos(turn)
    line = between(image, y, x).mean(1)
    line = ndimage.gaussian_filter1d(line, 2.0)
    peaks = [
        k
        for k in range(1, len(line) - 1)
        if line[k] >= line[k - 1] and line[k] > line[k + 1] and line[k] > 0.15 * line.max()
    ]
    best = (0.0, 1.0, 0.0)
    for one, two in pairwise(peaks):
        lower, higher = sorted((line[one], line[two]))
        depth = 1 - float(line[one : two + 1].min()) / float(lower)
        if depth > best[0]:
            best = (depth, float(lower / higher), float(along[two] - along[one]))
    return best


def _skew(image: Array, variance: float, noise: float, half: int) -> tuple[float, float, float]:
    """Lopsidedness (mu30 + mu12, mu21 + mu03) / (mu20 + mu02)^1.5 under a Gaussian weight of
    twice the star's width, about the weighted mean: length, direction and error."""
    axis = np.arange(-half, half + 1, dtype=np.float64)
    x, y = np.meshgrid(axis, axis)
    cx = cy = 0.0
    spread = 4 * max(variance, 0.5)
    for _ in range(4):
        weight = np.exp(-0.5 * ((x - cx) ** 2 + (y - cy) ** 2) / spread)
        light = weight * image
        total = light.sum()
        if total <= 0:
            return 0.0, 0.0, 1.0
        cx += float((light * (x - cx)).sum() / total)
        cy += float((light * (y - cy)).sum() / total)
    dx, dy = x - cx, y - cy
    squared = dx**2 + dy**2
    spread = float((light * squared).sum() / total)
    if spread <= 0:  # noise below the sky outweighs the star
        return 0.0, 0.0, 1.0
    size = spread**1.5
    first = float((light * squared * dx).sum() / total) / size
    second = float((light * squared * dy).sum() / total) / size
    error = noise * float(np.sqrt(((weight * squared * dx) ** 2).sum())) / total / size
    return float(np.hypot(first, second)), float(np.rad2deg(np.arctan2(second, first)) % 360), error


def _hole_offset(image: Array, distance: Array, hfr: float) -> float:
    """Distance of the hole's centre from the outline's, over the outline's diameter."""
    bright = image > 0.4 * np.percentile(image, 99)
    filled = ndimage.binary_fill_holes(bright)
    hole = filled & (image < 0.5 * np.percentile(image, 99)) & (distance < 1.5 * hfr)
    if hole.sum() < 4 or filled.sum() < 12:
        return 0.0
    outline = np.argwhere(filled).mean(0)
    inner = np.argwhere(hole).mean(0)
    return float(np.hypot(*(outline - inner)) / (2 * np.sqrt(filled.sum() / np.pi)))
