"""Discs and rings in the sky: dust shadows (dark) and reflections (bright).

A disc less the annulus round it is slid over the flattened sky picture at a row of radii. A
candidate counts as a disc only if it has an edge: most of the step happens within 15 % of the
radius, and in at least ten of twelve directions. Nebulae, galaxies and haloes have no such edge.
"""

from dataclasses import dataclass

import numpy as np
from scipy import fft, ndimage

from classifier.background import SkyPicture

Array = np.ndarray

RADII = (2.5, 3.5, 5.0, 7.0, 10.0, 14.0, 20.0, 28.0, 40.0, 56.0)
DIRECTIONS = 12
FOUND_SIGMA = 7.0


@dataclass(frozen=True)
class Disc:
    """A candidate. step_adu: inside minus outside (dark discs below 0). snr: of the matched
    filter. sharpness: share of the step inside the edge zone. agreeing: of 12 directions.
    x, y, radius: in frame pixels."""

    x: float
    y: float
    radius: float
    step_adu: float
    snr: float
    sharpness: float
    agreeing: int

    @property
    def has_edge(self) -> bool:
        return self.sharpness > 0.6 and self.agreeing >= DIRECTIONS - 2


def find_discs(picture: SkyPicture, surface: Array) -> tuple[list[Disc], list[Disc]]:
    """Dark and bright candidates of at least 7 sigma, strongest first, at most 6 of each.

    surface: (h, w) the smooth sky to take out.
    """
    flat = np.where(picture.valid, picture.level - surface, 0.0).astype(np.float32)
    if min(flat.shape) < 24 or picture.noise_adu <= 0:
        return [], []
    # What is left of stars is bright and small; clipping it costs a real disc nothing, for its
    # many cells are compared with their own smoothed neighbourhood.
    calm = ndimage.median_filter(flat, 3)
    noise = max(picture.noise_adu, 1e-9)
    transform = fft.rfft2(calm, workers=1)
    dark: list[Disc] = []
    bright: list[Disc] = []
    for radius in RADII:
        if 3.4 * radius > min(flat.shape):
            break
        response, sigma = _response(transform, calm.shape, radius, noise)
        for sign, found in ((-1, dark), (1, bright)):
            found.extend(_peaks(sign * response, sigma, sign, radius, calm, picture))
    return _distinct(dark), _distinct(bright)


def _response(
    transform: Array, shape: tuple[int, int], radius: float, noise: float
) -> tuple[Array, float]:
    """Disc mean minus annulus mean at every cell, and its noise."""
    reach = int(np.ceil(1.6 * radius))
    axis = np.arange(-reach, reach + 1)
    distance = np.hypot(axis[None], axis[:, None])
    inside, around = distance <= radius, (distance > 1.15 * radius) & (distance <= 1.6 * radius)
    kernel = inside / inside.sum() - around / around.sum()
    full = np.zeros(shape, np.float32)
    full[: 2 * reach + 1, : 2 * reach + 1] = kernel
    full = np.roll(full, (-reach, -reach), (0, 1))
    response = fft.irfft2(transform * np.conj(fft.rfft2(full, workers=1)), s=shape, workers=1)
    # Structure of the sky makes the filter's output wider than noise alone would.
    inner = response[reach:-reach, reach:-reach]
    wide = 1.4826 * float(np.median(np.abs(inner - np.median(inner))))
    white = noise * float(np.sqrt(1 / inside.sum() + 1 / around.sum()))
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
    best: tuple[float, float, float, int] = (0.0, radius, 0.0, 0)
    for tried in radius * np.array([0.8, 0.9, 1.0, 1.12, 1.25]):
        share = np.array([0.55, 0.65, 0.75, 0.85, 1.15, 1.25, 1.35, 1.45])
        r = share * tried
        x, y = column + r[:, None] * np.cos(turn), row + r[:, None] * np.sin(turn)
        polar = sign * ndimage.map_coordinates(calm, [y, x], order=1, mode="nearest")
        sectors = polar.reshape(len(share), DIRECTIONS, 4).mean(2)
        # Two cells are the picture's own blur: small discs are judged from further away.
        steps = sectors[:3].mean(0) - sectors[5:].mean(0)
        step = float(np.median(steps))
        if step <= 0:
            continue
        edge = float(np.median(sectors[3] - sectors[4])) / step
        edge *= max(1.0, 1.0 + 0.6 / tried * 2.5)
        agreeing = int((steps > 0.4 * step).sum())
        if edge * step > best[2] * best[0]:
            best = (step, float(tried), edge, agreeing)
    step, tried, sharpness, agreeing = best
    x, y = picture.to_frame(column, row)
    return Disc(x, y, tried * picture.step_px, sign * step, snr, min(sharpness, 1.0), agreeing)


def _distinct(discs: list[Disc]) -> list[Disc]:
    """Strongest first, one per place."""
    kept: list[Disc] = []
    for disc in sorted(discs, key=lambda d: (not d.has_edge, -d.snr)):
        if all(
            np.hypot(disc.x - k.x, disc.y - k.y) > 0.8 * max(disc.radius, k.radius) for k in kept
        ):
            kept.append(disc)
    return kept[:6]
