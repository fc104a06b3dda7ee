"""Discs and rings in the sky: dust shadows (dark) and reflections (bright).

A disc less the annulus round it is slid over the flattened sky picture at a row of radii. A
candidate counts as a disc only if it has an edge: most of the step happens within 15 % of the
radius and in at least ten of twelve directions, between an inside and an outside that are each
even by themselves. Nebulae, galaxies and haloes have no such edge.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy import fft, ndimage

from classifier.background import SkyPicture
from classifier.star_cover import Grid, star_cover
from classifier.sweeps import median, median_3x3

Array = np.ndarray

RADII = (2.5, 3.5, 5.0, 7.0, 10.0, 14.0, 20.0, 28.0, 40.0, 56.0)
DIRECTIONS = 12
FOUND_SIGMA = 7.0
# Share of covered cells up to which a disc, its core or the whole picture can be judged.
MOST_COVERED, MOST_OF_CORE, CROWDED = 0.35, 0.8, 0.6
# Reflections are larger than motes: 2 t / (n N) is 70 px and more for common filters.
SMALLEST_BRIGHT = 2.0


@dataclass(frozen=True)
class Disc:
    """A candidate. step_adu: inside minus outside (dark discs below 0). snr: of the matched
    filter. sharpness: share of the step inside the edge zone. agreeing: of 12 directions.
    unevenness: over the twelve directions or from the inner to the outer part of the disc,
    whichever is worse, as a share of the step. pedestal: how far the surroundings themselves lie
    from the smooth sky, as a share of the step. x, y, radius: in frame pixels."""

    x: float
    y: float
    radius: float
    step_adu: float
    snr: float
    sharpness: float
    agreeing: int
    unevenness: float
    pedestal: float

    @property
    def has_edge(self) -> bool:
        agreed = self.agreeing >= DIRECTIONS - 2
        # Bright patches of nebulae are common, round dark ones are not; and a shadow blurs with its
        # distance from the sensor.
        sharp, on_sky = (0.7, 0.5) if self.step_adu > 0 else (0.48, 1.0)
        even = self.unevenness < 0.3 and self.pedestal < on_sky
        return self.sharpness > sharp and agreed and even


def find_discs(
    picture: SkyPicture, surface: Array, stars: Array, fwhm_px: float, noise_adu: float
) -> tuple[list[Disc], list[Disc] | None]:
    """Dark and bright candidates of at least 7 sigma, strongest first, at most 6 of each.

    surface: (h, w) the smooth sky to take out. stars: as `find_stars` gives them, to be covered;
    fwhm_px: their width; noise_adu: noise of a pixel. Discs not clearly larger than a star are
    not looked for. Bright ones are None where stars cover most of the sky.
    """
    flat = np.where(picture.valid, picture.level - surface, 0.0).astype(np.float32)
    if min(flat.shape) < 24 or picture.noise_adu <= 0:
        return [], []
    width = fwhm_px if np.isfinite(fwhm_px) else 3.0
    grid = Grid(picture.level.shape, picture.step_px, picture.x0, picture.y0)
    covered = star_cover(grid, stars, width, noise_adu) | ~picture.valid
    noise = picture.noise_adu
    smallest = max(8.0, 2.5 * width) / picture.step_px
    # Stars hide no shadow for long: clipped just above the sky they weigh little beside it.
    clipped = np.where(picture.valid, np.minimum(flat, 1.5 * noise), 0.0)
    shaded = median_3x3(clipped)
    dark = _search(shaded, np.zeros_like(covered), -1, smallest, picture)
    if covered.mean() > CROWDED:
        return _distinct(dark), None
    calm = median_3x3(_filled(flat, covered))
    bright = _search(calm, covered, 1, SMALLEST_BRIGHT * smallest, picture)
    return _distinct(dark), _distinct(bright)


def find_edged(calm: Array, picture: SkyPicture, smallest: float, least_sigma: float) -> list[Disc]:
    """Bright discs with an edge, of at least `smallest` cells radius, in a picture whose stars were
    taken out: `calm` (h, w), the sky near 0; its geometry and noise are those of `picture`."""
    if min(calm.shape) < 24 or picture.noise_adu <= 0:
        return []
    found = _search(calm, np.zeros(calm.shape, bool), 1, smallest, picture, least_sigma)
    return [disc for disc in _distinct(found) if disc.has_edge]


def _search(
    calm: Array,
    covered: Array,
    sign: int,
    smallest: float,
    picture: SkyPicture,
    least_sigma: float = FOUND_SIGMA,
) -> list[Disc]:
    """Candidates of one sign at all radii from `smallest` (in cells)."""
    transform = fft.rfft2(calm, workers=1)
    found: list[Disc] = []
    for radius in RADII:
        if 3.4 * radius > min(calm.shape):
            break
        if radius >= smallest:
            response, sigma = _response(transform, calm.shape, radius, picture.noise_adu)
            unit = sigma * least_sigma / FOUND_SIGMA
            found.extend(_peaks(sign * response, unit, sign, radius, calm, covered, picture))
    return found


def _filled(flat: Array, covered: Array) -> Array:
    """Covered cells replaced by the mean of their uncovered surroundings."""
    free = (~covered).astype(np.float32)
    weight = ndimage.gaussian_filter(free, 4.0, truncate=2.5)
    mean = ndimage.gaussian_filter(flat * free, 4.0, truncate=2.5) / np.maximum(weight, 1e-3)
    return np.where(covered, np.where(weight > 0.02, mean, 0.0), flat).astype(np.float32)


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
    response: Array,
    sigma: float,
    sign: int,
    radius: float,
    calm: Array,
    covered: Array,
    picture: SkyPicture,
) -> list[Disc]:
    found = []
    rest = response.copy()
    reach = int(np.ceil(1.2 * radius))
    for _ in range(4):
        row, column = np.unravel_index(int(rest.argmax()), rest.shape)
        snr = float(rest[row, column]) / sigma
        if snr < FOUND_SIGMA:
            break
        rows, columns = np.ogrid[: calm.shape[0], : calm.shape[1]]
        squared = (rows - row) ** 2 + (columns - column) ** 2
        inside, core = squared <= radius**2, squared <= (0.4 * radius) ** 2
        # Covered cells hold an invented even sky that would pass for a disc, and round a covered
        # star some halo is left.
        hidden = sign > 0 and covered[core].mean() > MOST_OF_CORE
        if hidden or covered[inside].mean() > MOST_COVERED:
            rest[inside] = 0
            continue
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
        polar = sign * ndimage.map_coordinates(calm, [y, x], order=1, mode="nearest")
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
    x, y = picture.to_frame(column, row)
    return Disc(
        x=x,
        y=y,
        radius=tried * picture.step_px,
        step_adu=sign * step,
        snr=snr,
        sharpness=min(sharpness, 1.0),
        agreeing=agreeing,
        unevenness=unevenness,
        pedestal=pedestal,
    )


def _distinct(discs: list[Disc]) -> list[Disc]:
    """Strongest first, one per place."""
    kept: list[Disc] = []
    for disc in sorted(discs, key=lambda d: (not d.has_edge, -d.snr)):
        if all(
            np.hypot(disc.x - k.x, disc.y - k.y) > 0.8 * max(disc.radius, k.radius) for k in kept
        ):
            kept.append(disc)
    return kept[:6]
