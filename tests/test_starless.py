"""The light between the stars, in which faint lines are searched in large frames."""

from types import SimpleNamespace

import numpy as np
import pytest
import torch
from starry_line import NOISE, stars_and_line

from classifier.line_view import KEPT, LOOKS
from classifier.lines import LOCAL_CELLS, inner_part, line_search, prepare
from classifier.starless import between_stars, starless
from classifier.surface import read_surface
from classifier.views import PHYSICAL, make_views

WIDTH_PX = 1.3
UNKNOWN = torch.full((1, len(PHYSICAL)), torch.nan)
LINE = (250.0, 300.0, 3600.0, 2500.0)  # from end to end, px


def frame(shape, stars, height=0.0, seed=1, width_px=WIDTH_PX, line=LINE) -> torch.Tensor:
    return stars_and_line(shape, stars, line, height, width_px, seed)


def surface_of(pixels):
    return read_surface(pixels, torch.tensor([False]), torch.tensor([torch.nan]))


def searched(cells) -> tuple[float, np.ndarray]:
    rows, columns = inner_part(*cells.shape[1:])
    found = line_search(prepare(cells, width=LOCAL_CELLS)[:, rows, columns])
    ends = found.ends[0, 0].numpy() + np.array([columns.start, rows.start] * 2)
    return float(found.snr[0].max()), ends


@pytest.mark.parametrize("shape", [(2900, 4000), (3000, 4600)], ids=["even step", "odd step"])
def test_a_faint_line_is_found_among_stars_that_drown_it(shape):
    pixels = frame(shape, stars=24_000, height=0.6 * NOISE)
    surface = surface_of(pixels)
    assert surface.step == (4 if shape[1] == 4000 else 5)
    drowned, _ = searched(surface.calm)
    clear, ends = searched(starless(surface))
    assert clear > 1.3 * drowned and clear > 9
    x0, y0, x1, y1 = LINE
    length = np.hypot(x1 - x0, y1 - y0)
    places = (ends + 0.5) * 2 * surface.step - 0.5
    off = (places[[0, 2]] - x0) * (y1 - y0) - (places[[1, 3]] - y0) * (x1 - x0)
    assert np.abs(off).max() / length < 4 * surface.step
    # What the views tell is that search: not the other one.
    told = make_views(pixels, UNKNOWN, lines=1)
    assert (told.facts - np.log1p(clear)).abs().min() < 1e-4
    # Without the line there is none.
    assert searched(starless(surface_of(frame(shape, stars=24_000))))[0] < 7


def test_an_empty_field_loses_nothing():
    # No star is high enough to be left out: the line's S/N is that of the other cells.
    surface = surface_of(frame((2900, 4000), stars=0, height=0.6 * NOISE))
    assert searched(starless(surface))[0] == pytest.approx(searched(surface.calm)[0], rel=0.1)


@pytest.mark.parametrize("step", [4, 5])
def test_gaps_hold_what_is_around_them(step):
    # A plateau of 1 sigma with stars on it stays one: left at zero, the gaps would be holes in it.
    rng = np.random.default_rng(3)
    quarter = torch.ones(1, 60 * step, 80 * step)
    rows, columns = (torch.from_numpy(rng.integers(0, n, 900)) for n in quarter.shape[1:])
    quarter[0, rows, columns] = 500.0
    cells = torch.zeros(1, 120, 160)
    known = SimpleNamespace(quarter=quarter, half_noise=torch.tensor([2.0]), step=step, calm=cells)
    assert (starless(known) - 1).abs().max() < 0.02


def test_small_frames_are_searched_as_before():
    # There the light of a bright trail itself would be left out.
    pixels = frame((640, 960), stars=200)
    surface = surface_of(pixels)
    assert surface.step < LOOKS[1].starless_from
    told = make_views(pixels, UNKNOWN, lines=1)
    assert (told.facts - np.log1p(searched(surface.calm)[0])).abs().min() < 1e-4


def test_tight_masks_leave_a_field_of_sharp_stars_free_and_its_line_clear():
    """Stars of 1.2 px across, one to 170 px: a wide field as star cameras take it."""
    line = (30.0, 60.0, 470.0, 400.0)
    sharp = {"width_px": 0.5, "line": line}
    surface = surface_of(frame((512, 512), stars=1500, height=1.4 * NOISE, **sharp))
    wide, tight = (between_stars(surface, tight) for tight in (False, True))
    free_wide, free_tight = (1 - float(b.stars.float().mean()) for b in (wide, tight))
    assert free_wide < 0.55
    assert free_tight > 0.85
    seen_wide, seen_tight = (searched(starless(surface, b, KEPT)) for b in (wide, tight))
    # White noise gives the root of what is free.
    assert seen_tight[0] > 0.9 * (free_tight / free_wide) ** 0.5 * seen_wide[0]
    # Half-size pixels: the line is where it was drawn.
    x0, y0, x1, y1 = line
    places = (seen_tight[1] + 0.5) * 2 - 0.5
    off = (places[[0, 2]] - x0) * (y1 - y0) - (places[[1, 3]] - y0) * (x1 - x0)
    assert np.abs(off).max() / np.hypot(x1 - x0, y1 - y0) < 5
    # And no other is clearer where there is none.
    empty = surface_of(frame((512, 512), stars=1500, **sharp))
    assert searched(starless(empty, between_stars(empty, True), KEPT))[0] < 0.8 * seen_tight[0]
