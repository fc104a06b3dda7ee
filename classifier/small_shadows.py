"""Small shadows in the sky: dark discs of a few cells, by a matched filter.

    shadows, least_adu = small_shadows(calm, smallest, picture)

The filter is a disc less the annulus round it, at radii so close that one of them fits. A peak is a
candidate if it stands out of the noise, of the filter's scatter over the frame, and of that round
it. It counts as a shadow only if it has an edge: most of the step happens within 15 % of the radius
and in at least ten of twelve directions, between an inside and an outside that are each even by
themselves. Stars make no dark discs, however wide they are.
"""

from functools import lru_cache

import numpy as np
from scipy import fft

from classifier.background import SkyPicture
from classifier.bilinear import between
from classifier.disc import Disc
from classifier.sweeps import median

Array = np.ndarray

RADII = (2.5, 3.0, 3.5, 4.2, 5.0, 6.0, 7.0, 8.4, 10.0)
LARGEST = 1.2 * RADII[-1]
DIRECTIONS = 12
# A map of 10^5 cells holds a peak of 6 sigma of noise once in 10^4 maps; the structure of the sky
# has longer tails than noise.
FOUND_SIGMA, OUT_OF_NEAR = 7.0, 6.0
ROUND = (2.6, 8.0)  # radii: what is beyond the filter's own reach, and still near
LEAST_OTHERS = 50
USUAL = 5.0  # cells: radius of the shadows for which it is told how deep they have to be
SHARP = 0.48  # a shadow blurs with its distance from the sensor
UNEVEN = 0.3
DEPTHS = np.linspace(0.1, 0.9, 9)  # radii: rings in which it is asked how deep a shadow is


def small_shadows(calm: Array, smallest: float, picture: SkyPicture) -> tuple[list[Disc], float]:
    """Candidates of at least `smallest` cells radius in (h, w) `calm`, the sky of the picture less
    its slow part, bright stars clipped; and the mean depth in ADU from which one of `USUAL` size
    would be found, NaN where none is looked for."""
    transform = fft.rfft2(calm, workers=1)
    found: list[Disc] = []
    least_adu = np.nan
    for radius in RADII:
        if 3.4 * radius > min(calm.shape):
            break
        if radius >= smallest:
            response, sigma = _response(transform, calm.shape, radius, picture.noise_adu)
            found.extend(_peaks(-response, sigma, radius, calm, picture))
            if radius == USUAL:
                least_adu = FOUND_SIGMA * sigma
    return found, least_adu


def out_of_the_near(calm: Array, discs: list[Disc], picture: SkyPicture) -> list[Disc]:
    """Of shadows found by other means those that stand out of what the filter nearest their size
    gives round them; those much larger than any filter are all kept."""
    if not discs:
        return []
    kept, transform = [], fft.rfft2(calm, workers=1)
    half = (picture.step_px - 1) / 2
    for disc in discs:
        cells = disc.radius / picture.step_px
        radius = min(RADII, key=lambda tried: abs(tried - cells))
        column = round((disc.x - picture.x0 - half) / picture.step_px)
        row = round((disc.y - picture.y0 - half) / picture.step_px)
        inside = 0 <= row < calm.shape[0] and 0 <= column < calm.shape[1]
        if inside and cells < LARGEST and 3.4 * radius < min(calm.shape):
            response, _ = _response(transform, calm.shape, radius, picture.noise_adu)
            # Near its own edge the picture has no answer of the filter.
            if response[row, column] and not stands_out(-response, row, column, radius):
                continue
        kept.append(disc)
    return kept


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
    response: Array, sigma: float, radius: float, calm: Array, picture: SkyPicture
) -> list[Disc]:
    found = []
    rest = response.copy()
    reach = int(np.ceil(1.2 * radius))
    for _ in range(4):
        row, column = np.unravel_index(int(rest.argmax()), rest.shape)
        snr = float(rest[row, column]) / sigma
        if snr < FOUND_SIGMA:
            break
        if stands_out(response, int(row), int(column), radius):
            place = _middle(calm, int(row), int(column), radius)
            found.append(_examine(calm, *place, radius, snr, picture))
        rest[max(0, row - reach) : row + reach + 1, max(0, column - reach) : column + reach + 1] = 0
    return found


def stands_out(response: Array, row: int, column: int, radius: float) -> bool:
    """Whether a peak stands out of what the filter gives round it: in a nebula that is more, and of
    another distribution, than over the frame."""
    reach = int(np.ceil(ROUND[1] * radius))
    top, left = max(0, row - reach), max(0, column - reach)
    near = response[top : row + reach + 1, left : column + reach + 1]
    rows, columns = np.ogrid[: near.shape[0], : near.shape[1]]
    away2 = (rows + top - row) ** 2 + (columns + left - column) ** 2
    others = near[(away2 > (ROUND[0] * radius) ** 2) & (away2 < (ROUND[1] * radius) ** 2)]
    others = others[others != 0]  # cut at the edges of the picture
    if others.size < LEAST_OTHERS:
        return False
    return bool(response[row, column] - median(others) > OUT_OF_NEAR * others.std())


def _middle(calm: Array, row: int, column: int, radius: float) -> tuple[float, float]:
    """Row and column of the middle of what is missing of the light, to a fraction of a cell."""
    reach = int(np.ceil(1.3 * radius))
    top, left = max(0, row - reach), max(0, column - reach)
    near = calm[top : row + reach + 1, left : column + reach + 1]
    rows, columns = np.ogrid[: near.shape[0], : near.shape[1]]
    rows, columns = rows + top, columns + left
    away = np.hypot(rows - row, columns - column)
    beside = near[away > radius]
    missing = np.maximum(median(beside) - near, 0) * np.clip(1.3 * radius - away, 0, 1)
    # What is missing at random is even over the disc and pulls to where the search began.
    total = max(float(missing.sum()), 1e-9)
    return float((missing * rows).sum() / total), float((missing * columns).sum() / total)


def _examine(
    calm: Array, row: float, column: float, radius: float, snr: float, picture: SkyPicture
) -> Disc:
    """Step, sharpness and agreement over directions, at the radius where the edge is steepest."""
    turn = (np.arange(4 * DIRECTIONS) + 0.5) / (4 * DIRECTIONS) * 2 * np.pi
    best = (0.0, radius, 0.0, 0, 1.0, 0.0)
    for tried in radius * np.array([0.8, 0.9, 1.0, 1.12, 1.25]):
        r = np.array([0.5, 0.6, 0.7, 0.8, 0.87, 1.13, 1.2, 1.3, 1.4, 1.5]) * tried
        x, y = column + r[:, None] * np.cos(turn), row + r[:, None] * np.sin(turn)
        polar = -between(calm, y, x)
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
            best = (step, float(tried), edge, agreeing, unevenness, median(outside))
    step, tried, sharpness, agreeing, unevenness, beyond = best
    even = unevenness < UNEVEN and abs(beyond) < step
    depth = _missing(calm, row, column, tried) - beyond if step > 0 else 0.0
    x, y = picture.to_frame(column, row)
    return Disc(
        x=x,
        y=y,
        radius=tried * picture.step_px,
        step_adu=-max(step, depth),
        snr=snr,
        has_edge=bool(sharpness > SHARP and agreeing >= DIRECTIONS - 2 and even),
    )


def _missing(calm: Array, row: float, column: float, radius: float) -> float:
    """Light missing in the deeper rings of a shadow: a quarter of them are deeper still. The mean
    of one that is soft is half of its depth."""
    turn = (np.arange(24) + 0.5) / 24 * 2 * np.pi
    away = DEPTHS[:, None] * radius
    rings = between(calm, row + away * np.sin(turn), column + away * np.cos(turn))
    return float(np.quantile(-np.median(rings, axis=1), 0.75))
