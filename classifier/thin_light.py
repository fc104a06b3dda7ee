"""Thin light: what of a picture is narrower than a few cells, however bright it is.

A search for faint lines leaves out what is bright, stars and all, and a short bright trail with
them: it is plain to the eye and gone from the picture that is searched. Here bright light counts,
up to a limit, and what goes are the stars that are wider than a trail: a picture less its opening
by a square (the white top-hat of mathematical morphology; Serra 1982, from memory) keeps lines and
the smallest stars. These make no line together, or hardly one. Torch, batched, CPU and GPU.
"""

from torch import Tensor

from classifier.lines import flattened, settled
from classifier.starless import Between, pooled
from classifier.surface import Surface
from classifier.sweeps import running_max

# Sigma of a pixel between which its light counts; cells to a side of the square.
LEAST_COUNTED, MOST_COUNTED, SQUARE_CELLS = -2.0, 4.0, 5
# Cells of the local mean that is taken off; sigma, and the least of it for a picture of nothing.
AROUND_CELLS, CLIP_SIGMA, LEAST_SIGMA = 15, 3.0, 0.02


def thin_light(surface: Surface, between: Between) -> Tensor:
    """(B, h, w) on the grid of `Surface.calm`, about 0, in units of its own scatter, for
    `lines.line_search`."""
    light = surface.excess if between.side == 1 else surface.quarter
    counted = (light / between.noise[:, None, None]).clamp(LEAST_COUNTED, MOST_COUNTED)
    cells = pooled(counted, surface, between.side)
    flat = flattened(cells - _opened(cells), AROUND_CELLS, 0)
    # Most of it is 0: a median would say nothing of its scatter.
    return settled(flat, flat.flatten(1).std(1).clamp_min(LEAST_SIGMA), CLIP_SIGMA)


def _opened(picture: Tensor) -> Tensor:
    """The highest of the lowest values in squares: what is narrower than a square is gone."""
    lowest = -running_max(running_max(-picture, SQUARE_CELLS, 1), SQUARE_CELLS, 2)
    return running_max(running_max(lowest, SQUARE_CELLS, 1), SQUARE_CELLS, 2)
