"""More on the form of a frame's stars than labels need: what tells causes of a night apart.

form = star_form(inner_star, background, stars, fwhm_px, pair)
form["halo"], form["skew_x"]
"""

import math

import numpy as np
import sep

from classifier.background import Background
from classifier.mean_star import MeanStar
from classifier.star_rays import OddPair, odd_bar

Array = np.ndarray

MOST_STARS = 40
LEAST_STARS = 4
# Circles in FWHMs: the star itself, its halo, and the ring that the sky is taken from. A Gaussian
# has 0.4 % of its light outside the first.
CORE, HALO, RING = 1.4, 4.0, (5.5, 7.0)


def star_form(
    inner: MeanStar | None,
    background: Background,
    stars: Array,
    fwhm_px: float,
    pair: OddPair | None,
) -> dict[str, float]:
    """Numbers of one frame; absent where unknown.

    skew_x, skew_y: lopsidedness of the mean star of the middle of the field as a vector in the
    array's frame (as MeanStar's skew); skew_noise: its error. asymmetry: see MeanStar.
    hole_offset: likewise. halo: light between 1.4 and 4 FWHM from a bright star over that
    within 1.4 FWHM, median of the bright stars that stand free. odd_sigma, odd_deg: of
    `pair`, see `odd_bar`.
    """
    form: dict[str, float] = {}
    if inner is not None:
        turn = math.radians(inner.skew_deg)
        form |= {
            "skew_x": inner.skew * math.cos(turn),
            "skew_y": inner.skew * math.sin(turn),
            "skew_noise": float(inner.skew_noise),
            "asymmetry": float(inner.asymmetry),
            "hole_offset": float(inner.hole_offset),
            "lobes": float(inner.lobes),
        }
    halo = _halo(background, stars, fwhm_px)
    if math.isfinite(halo):
        form["halo"] = halo
    return form | odd_bar(pair)


def _halo(background: Background, stars: Array, fwhm_px: float) -> float:
    if not math.isfinite(fwhm_px):
        return math.nan
    good = stars[~stars["saturated"] & ~stars["edge"] & ~stars["blended"] & (stars["snr"] > 30)]
    shares = []
    for window in background.windows:
        height, width = window.light.shape
        x, y = good["x"].astype(float) - window.x0, good["y"].astype(float) - window.y0
        reach = RING[1] * fwhm_px
        inside = (x > reach) & (x < width - 1 - reach) & (y > reach) & (y < height - 1 - reach)
        x, y = x[inside][:MOST_STARS], y[inside][:MOST_STARS]
        if not len(x):
            continue
        ring = (RING[0] * fwhm_px, RING[1] * fwhm_px)
        core, halo = (
            sep.sum_circle(window.light, x, y, size * fwhm_px, bkgann=ring, subpix=3)[0]
            for size in (CORE, HALO)
        )
        shares += [float(h / c - 1) for c, h in zip(core, halo, strict=True) if c > 0]
    return float(np.median(shares)) if len(shares) >= LEAST_STARS else math.nan
