"""The shape of the sky: vignetting and gradient fitted together to the sky picture.

    sky = level x (1 + a r^2 + b r^4) + gx x + gy y + q1 (x^2 - y^2) + q2 x y

r = 1 in the corners, x and y from -1 to 1. The round terms are the vignetting, the others the
gradient; a gradient that is round about the centre cannot be told from vignetting, and a straight
one hardly from vignetting about another centre, which is tried too. Cells above
the fit (stars, galaxies, nebulae) are left out step by step, cells below it later, so that what
remains is the darker part of the field.
"""

from dataclasses import dataclass

import numpy as np

from classifier.background import SkyPicture
from classifier.sweeps import lower_median, median

Array = np.ndarray

SHIFT = 0.27  # of the half diagonal, how far from the middle vignetting may be centred
CELLS = 32  # cells of the longer side that the fit works on
# In how many corners, and how far in units of the cells' scatter, the sky has to lie below the fit.
DARK_CORNERS, CORNER_SIGMA = 2, 4.0


@dataclass(frozen=True)
class SkyModel:
    """Fit of the sky, in ADU as stored (offset included in `centre_adu`).

    centre_adu, corner_adu: the round part at the centre and at the mean of the four corners.
    gradient_adu: peak to peak of the other terms over the frame. direction_deg: towards the
    brighter side, from +x towards +y. used_share: of cells that the fit kept. scatter_adu:
    what the fit leaves, by the median over all cells. off_centre: whether vignetting about
    another centre, without any gradient, explains the sky as well. surface: (h, w) the whole
    model on the picture's grid.
    """

    centre_adu: float
    corner_adu: float
    gradient_adu: float
    direction_deg: float
    used_share: float
    scatter_adu: float
    off_centre: bool
    surface: Array


def fit_sky(picture: SkyPicture) -> SkyModel:
    """Vignetting and gradient of a sky picture."""
    level, valid = _coarse(picture)
    height, width = level.shape
    x, y = _axes(height, width)
    design = _terms(x, y, picture).reshape(-1, 7)
    values, keep = level.ravel().astype(np.float64), valid.ravel().copy()
    coefficients = np.zeros(7)
    coefficients[0] = median(values[keep])
    for turn in range(8):
        if keep.sum() < 14:
            break
        coefficients = np.linalg.lstsq(design[keep], values[keep], rcond=None)[0]
        rest = values - design @ coefficients
        spread = 1.4826 * median(np.abs(rest[keep] - median(rest[keep])))
        spread = max(spread, 1e-9 * max(1.0, abs(coefficients[0])))
        upper, lower = (2.0, 6.0) if turn < 5 else (2.5, 4.0)
        keep = valid.ravel() & (rest < upper * spread) & (rest > -lower * spread)
    rest = values - design @ coefficients
    tilt, surface = _on_picture(coefficients, picture)
    lit = rest + design[:, :3] @ coefficients[:3]  # without the gradient
    return SkyModel(
        centre_adu=float(coefficients[0]),
        corner_adu=_corner_adu(coefficients, lit.reshape(level.shape), rest, valid, keep),
        gradient_adu=float(tilt.max() - tilt.min()),
        direction_deg=_direction(tilt),
        used_share=float(keep.sum() / max(1, valid.sum())),
        scatter_adu=1.4826 * median(np.abs(rest[valid.ravel()])),
        off_centre=_off_centre(x, y, values, keep, picture, float(np.ptp(tilt))),
        surface=surface.astype(np.float32),
    )


def _corner_adu(coefficients: Array, lit: Array, rest: Array, valid: Array, keep: Array) -> float:
    """The round part in the mean of the four corners: as fitted, but as it is seen in those that
    clearly lie below the fit, where two or more do. A beam that a small filter cuts loses its light
    in the last of the field, which no low power of the radius follows, and which the fit leaves out
    in the end. What a whole side lacks, as the strip of a sensor that sees no sky, is not counted.

    lit: (h, w) coarse cells without the gradient; rest, keep: (h w,) what the fit leaves of them,
    and which it was made on."""
    fit, table = float(coefficients[:3].sum()), rest.reshape(lit.shape)
    spread = 1.4826 * median(np.abs(rest[keep])) if keep.any() else np.inf
    corners = []
    for row, column in ((0, 0), (0, -1), (-1, 0), (-1, -1)):
        side = min(median(table[row]), median(table[:, column]), 0.0)
        seen = lit[row, column] - side
        is_below = table[row, column] - side < -CORNER_SIGMA * spread and seen < fit
        corners.append(seen if is_below and valid[row, column] else fit)
    below = sum(corner < fit for corner in corners)
    return float(np.mean(corners)) if below >= DARK_CORNERS else fit


def _off_centre(
    x: Array, y: Array, values: Array, keep: Array, picture: SkyPicture, gradient_adu: float
) -> bool:
    """Whether round terms about some other centre leave less than a twelfth of the gradient."""
    if keep.sum() < 14:
        return False
    high, wide = picture.level.shape
    diagonal = np.hypot(wide, high)
    across, down = x.ravel()[keep] * wide / diagonal, y.ravel()[keep] * high / diagonal
    target = values[keep]
    steps = np.linspace(-SHIFT, SHIFT, 9)
    shifts = [(sx, sy) for sx in steps for sy in steps if np.hypot(sx, sy) <= SHIFT]
    shift_x, shift_y = np.array(shifts).T[..., None]
    r2 = (across - shift_x) ** 2 + (down - shift_y) ** 2
    # All centres at once, by normal equations: of powers of r^2 up to 1.3 they lose 5 of 16 digits.
    design = np.stack((np.ones_like(r2), r2, r2**2, r2**3), 1)
    normal = design @ design.swapaxes(1, 2) + 1e-12 * np.eye(4)
    solution = np.linalg.solve(normal, design @ (target - target.mean())[:, None])
    rest = target - (solution.swapaxes(1, 2) @ design)[:, 0]
    outwards = solution[:, 1:, 0].sum(1) < 0  # darker
    return bool(outwards.any() and rest[outwards].std(1).min() < gradient_adu / 12)


def texture_adu(picture: SkyPicture, model: SkyModel) -> float:
    """Robust rms of what the model leaves at scales of a thirtieth of the field, in ADU."""
    level, valid = _coarse(picture)
    surface, _ = _coarse(picture, model.surface)
    rest = (level - surface)[valid]
    if rest.size < 10:
        return float("nan")
    return 1.4826 * median(np.abs(rest - median(rest)))


def _direction(tilt: Array) -> float:
    height, width = tilt.shape
    x, y = _axes(height, width)
    return float(np.rad2deg(np.arctan2((tilt * y).sum(), (tilt * x).sum())) % 360)


def _axes(height: int, width: int) -> tuple[Array, Array]:
    columns = (np.arange(width) + 0.5) / width * 2 - 1
    rows = (np.arange(height) + 0.5) / height * 2 - 1
    return np.meshgrid(columns, rows)


def _terms(x: Array, y: Array, picture: SkyPicture) -> Array:
    """(..., 7) terms; x, y in [-1, 1], r^2 in true proportions with 1 in the corners."""
    high, wide = picture.level.shape
    r2 = (x**2 * wide**2 + y**2 * high**2) / (wide**2 + high**2)
    return np.stack((np.ones_like(x), r2, r2**2, x, y, x**2 - y**2, x * y), -1)


def _on_picture(coefficients: Array, picture: SkyPicture) -> tuple[Array, Array]:
    """(h, w) gradient and whole model on the picture's grid: what `_terms` weighs, put together
    from rows and columns."""
    high, wide = picture.level.shape
    level, a, b, gx, gy, q1, q2 = coefficients
    x, y = ((np.arange(side) + 0.5) / side * 2 - 1 for side in (wide, high))
    y = y[:, None]
    tilt = (gx * x + q1 * x**2) + (gy * y - q1 * y**2) + q2 * x * y
    far = wide**2 + high**2
    across, down = x**2 * wide**2 / far, y**2 * high**2 / far
    # a r^2 + b r^4 with r^2 = across + down
    light = (level + a * across + b * across**2) + (a * down + b * down**2) + 2 * b * across * down
    return tilt, light + tilt


def _coarse(picture: SkyPicture, surface: Array | None = None) -> tuple[Array, Array]:
    """Medians of blocks of cells, and whether at least half of a block is valid."""
    level = picture.level if surface is None else surface
    block = max(1, max(level.shape) // CELLS)
    height, width = level.shape[0] // block, level.shape[1] // block

    def blocks(array: Array) -> Array:
        cut = array[: height * block, : width * block].reshape(height, block, width, block)
        return cut.swapaxes(1, 2).reshape(height, width, block * block)

    return lower_median(blocks(level)), blocks(picture.valid).mean(-1) >= 0.5
