"""Signs of a run that stand in all its subs: dust, hot pixels, spikes of a cable, ghosts.

    signs = standing_signs(line)
    signs["dust_share"], signs["bar_sigma"], signs["ghost_pct"]

Each sign is one number about the whole run; NaN where what it needs is unknown.
"""

import math
import warnings

import numpy as np

from classifier.common_bar import common_bar
from classifier.night_field import standing
from classifier.night_ghost import ghost_step_pct
from classifier.night_line import NightLine
from classifier.night_spots import darkest_spot
from classifier.night_trend import correlation, known

Array = np.ndarray

DRAWN_OUT, ALONG_DEG = 0.3, 20.0  # (a^2 - b^2) / (a^2 + b^2) of the axes: 36 % longer than wide
SHARP = 1.3  # times the width of the best tenth


def standing_signs(line: NightLine) -> dict[str, float]:
    """What stays on the sensor: dust_share (subs with a shadow at the same place), spots_pct,
    spots_sigma (see `night_spots`), hot_pct, hot_warm (rank
    correlation with the sensor's temperature), bar_sigma (how far a pair of spikes stands out that
    the bright stars of all subs have in one direction and no spider makes), ghost_share,
    ghost_stands, ghost_pct (how far a bright disc that the subs show together stands above the
    sky)."""
    (hot,) = known(line.of["hot_pixels_pct"])
    maps = sky_maps(line)
    return (
        _spots(line, maps)
        | _bar(line)
        | {
            "dust_share": standing(line, "dust_motes"),
            "hot_pct": float(np.median(hot)) if len(hot) else math.nan,
            "hot_warm": correlation(line.of["temperature_c"], line.of["hot_pixels_pct"]),
            "ghost_share": line.share("reflection"),
            "ghost_pct": 0.0 if maps is None else _ghost_pct(line, maps),
            "ghost_stands": standing(line, "reflection", 24.0),
        }
    )


def _ghost_pct(line: NightLine, maps: Array) -> float:
    """A bright star out of focus is a disc with an edge too: the sharp subs are asked."""
    width = line.of["fwhm_px"]
    if not np.isfinite(width).any():
        return 0.0
    sharp = width <= SHARP * np.nanquantile(width, 0.1)
    return ghost_step_pct(maps[sharp], None if line.flip is None else int(sharp[: line.flip].sum()))


def _bar(line: NightLine) -> dict[str, float]:
    """Discs out of focus and stars swollen by the air hide spikes or feign them: the sharp subs
    are asked."""
    width = line.of["fwhm_px"]
    asked = [len(sub.measures.rays) > 0 for sub in line.subs]
    if not np.isfinite(width[asked]).any():
        return {"bar_sigma": 0.0}
    sharp = asked & (width <= SHARP * np.nanquantile(width, 0.1))
    rays = [line.subs[i].measures.rays for i in np.flatnonzero(sharp)]
    sigma, deg = common_bar(np.array(rays))
    # Stars that are drawn out have wings along their own long axis.
    shape = complex(line.of["e1"][sharp].mean(), line.of["e2"][sharp].mean())
    off = abs((deg - math.degrees(np.angle(shape) / 2) + 90.0) % 180.0 - 90.0)
    drawn = abs(shape) >= DRAWN_OUT and off <= ALONG_DEG
    return {"bar_sigma": 0.0 if drawn else sigma}


def _spots(line: NightLine, maps: Array | None) -> dict[str, float]:
    spot = None if maps is None else darkest_spot(maps, line.flip)
    return {} if spot is None else {"spots_pct": spot.depth_pct, "spots_sigma": spot.sigma}


def sky_maps(line: NightLine) -> Array | None:
    """(n, h, w) sky of every sub over its level; None where sizes differ or none was kept."""
    shapes = {sub.measures.sky.shape for sub in line.subs}
    if len(shapes) != 1 or 0 in next(iter(shapes)):
        return None
    level = line.of["sky_adu"]
    offset = [sub.facts.offset_adu for sub in line.subs]
    if all(each is not None for each in offset):
        level = level - np.array(offset, float)
    level = np.where(level > 0, level, np.nan)
    return np.stack([s.measures.sky.astype(float) for s in line.subs]) / level[:, None, None]


def median_map(maps: Array) -> Array:
    """(n, h, w) -> (h, w) medians over the subs, NaN where a cell is blank in all of them."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return np.nanmedian(maps, axis=0)
