"""How the network looks along lines: what is searched for them, and the numbers that it is told.

Networks differ in how they look: `NetworkConfig.lines` is the number of one of LOOKS. The first
are kept for the models that have learnt with them.
"""

import math
from dataclasses import dataclass

import torch
from torch import Tensor

from classifier.close_lines import look_closely
from classifier.line_profile import LINE_FACTS, line_facts, line_strips
from classifier.lines import (
    LOCAL_CELLS,
    STAGES,
    WIDE_CELLS,
    LineSearch,
    inner_part,
    line_search,
    prepare,
)
from classifier.starless import Between, between_stars, starless
from classifier.surface import Surface
from classifier.sweeps import constant
from classifier.thin_light import thin_light


@dataclass(frozen=True)
class Look:
    """One way to look along lines.

    local_cells: of the mean that `prepare` takes off. starless_from: half-size pixels of a cell's
    side from which the light between the stars is searched, and not with stars cut down: where
    cells are small, a trail bright enough to be left out with them would be lost. told: whether
    the network is told of the light along the best lines. close: whether it is told as well what
    `_closely` sees between the stars. tight: see `starless.between_stars`. once: whether
    one search, between the stars, serves for all that is told, with none beside it that has stars
    cut down. thin: whether the network is told as well of the best lines of light that is bright
    and thin (`thin_light`).
    """

    local_cells: int
    starless_from: float = math.inf
    told: bool = True
    close: bool = False
    tight: bool = False
    once: bool = False
    thin: bool = False

    @property
    def count(self) -> int:
        """How many numbers the network is told, beside the S/N of the lines."""
        close = LENGTHS * (len(LINE_FACTS) + 2) if self.close else 0
        thin = LENGTHS * (len(LINE_FACTS) + 1) if self.thin else 0
        return (STAGES * len(LINE_FACTS) if self.told else 0) + close + thin


# Lengths of lines between the stars: the whole height of a frame to a sixteenth of it; the local
# mean taken off them; and what is kept of a sigma under a star.
LENGTHS, BETWEEN_CELLS, KEPT = 5, 15, 0.5
LOOKS: tuple[Look, ...] = (
    Look(WIDE_CELLS, told=False),
    Look(LOCAL_CELLS, starless_from=4),
    Look(LOCAL_CELLS, starless_from=4, close=True),
    Look(LOCAL_CELLS, starless_from=4, close=True, tight=True),
    Look(LOCAL_CELLS, starless_from=4, close=True, tight=True, once=True),
    Look(LOCAL_CELLS, starless_from=4, close=True, tight=True, once=True, thin=True),
)


@dataclass(frozen=True)
class Lines:
    """snr: (B, STAGES) of the best line of each length. told: (B, Look.count). best_px: (B, 4) ends
    of the best line over the whole frame, in its pixels."""

    snr: Tensor
    told: Tensor
    best_px: Tensor


def look_along(surface: Surface, number: int, shape: tuple[int, int]) -> Lines:
    """The sky of frames of shape (H, W) px as the look of that number sees it."""
    look = LOOKS[number]
    rows, columns = inner_part(*surface.calm.shape[1:])
    is_crowded = surface.step >= look.starless_from
    is_between = is_crowded or look.once
    between = between_stars(surface, look.tight) if is_between or look.close else None
    cells, width = surface.calm, look.local_cells
    if is_crowded:
        cells = starless(surface, between)
    elif is_between:
        cells, width = starless(surface, between, KEPT), BETWEEN_CELLS
    picture = prepare(cells, width=width)[:, rows, columns]
    search = line_search(picture, LENGTHS if is_between and look.close else STAGES)
    told = [picture.new_empty(len(picture), 0)]
    if look.told:
        told.append(line_facts(line_strips(picture, search.ends[:, :STAGES])))
    if look.close and between is not None:
        second = search
        if not is_between:
            cells = prepare(starless(surface, between, KEPT), width=BETWEEN_CELLS)
            second = line_search(cells[:, rows, columns], LENGTHS)
        told.append(_closely(surface, between, second, (rows, columns)))
    if look.thin and between is not None:
        bright = thin_light(surface, between)[:, rows, columns]
        brightest = line_search(bright, LENGTHS)
        told.append(line_facts(line_strips(bright, brightest.ends)))
        told.append(torch.log1p(brightest.snr.clamp_min(0.0)))
    frame = constant((shape[1] - 1.0, shape[0] - 1.0) * 2, picture.device)
    corner = constant((columns.start, rows.start) * 2, picture.device)
    best = (search.ends[:, 0] + corner + 0.5) * 2 * surface.step - 0.5
    numbers = torch.cat(told, 1).nan_to_num(0.0).clamp(-20.0, 20.0)
    return Lines(search.snr[:, :STAGES], numbers, torch.minimum(best, frame))


def _closely(
    surface: Surface, between: Between, search: LineSearch, part: tuple[slice, slice]
) -> Tensor:
    """What the network is told of the best line of each length, seen between the stars where its
    light is: (B, LENGTHS (len(LINE_FACTS) + 2))."""
    rows, columns = part
    pixels = surface.step / between.side  # to a cell
    # A strip has as many rows as the next power of two has, or a half of it, ...
    side = max(rows.stop - rows.start, columns.stop - columns.start)
    whole = 2**0.5 * (1 << (side - 1).bit_length()) * pixels
    longest = [whole / 2**length for length in range(LENGTHS)]
    corner = constant((columns.start, rows.start) * 2, search.ends.device)
    ends = (search.by_way.transpose(1, 2) + corner + 0.5) * pixels - 0.5
    close = look_closely(between, ends, longest)
    best, which = close.snr.unflatten(1, (LENGTHS, -1)).max(2)
    strips = close.strips.unflatten(1, (LENGTHS, -1))
    frame = torch.arange(len(best), device=best.device)[:, None]
    chosen = strips[frame, torch.arange(LENGTHS, device=best.device), which]
    snr = torch.cat((best, search.snr), 1).clamp_min(0.0)
    return torch.cat((line_facts(chosen), torch.log1p(snr)), 1)
