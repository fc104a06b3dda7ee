"""Light that is bright and thin: short trails that a search for faint lines leaves out."""

import numpy as np
import pytest
import torch
from scipy import ndimage
from starry_line import NOISE, stars_and_line

from classifier.line_view import KEPT, LENGTHS, LOOKS, look_along
from classifier.lines import inner_part, line_search, prepare
from classifier.starless import between_stars, starless
from classifier.surface import Surface, read_surface
from classifier.thin_light import SQUARE_CELLS, _opened, thin_light

LINE = (700.0, 300.0, 790.0, 390.0)  # an eighth of the height, px


def sky(height: float) -> Surface:
    """600 stars and a line of `height` ADU at its crest, 960 x 1280 px."""
    pixels = stars_and_line((960, 1280), 600, LINE, height, width_px=1.5, seed=5)
    return read_surface(pixels, torch.tensor([False]), torch.tensor([torch.nan]))


def searched(picture: torch.Tensor) -> tuple[torch.Tensor, torch.Tensor]:
    rows, columns = inner_part(*picture.shape[1:])
    found = line_search(picture[:, rows, columns], LENGTHS)
    corner = torch.tensor([columns.start, rows.start] * 2)
    return found.snr[0], found.ends[0] + corner


def test_a_short_bright_trail_is_found_that_is_left_out_with_the_stars():
    trail = sky(25 * NOISE)
    between = between_stars(trail, tight=True)
    faint, _ = searched(prepare(starless(trail, between, KEPT), width=15))
    thin, ends = searched(thin_light(trail, between))
    without, _ = searched(thin_light(sky(0.0), between_stars(sky(0.0), tight=True)))
    assert faint.max() < 9
    assert thin.max() > 13 and thin.max() > 2 * without.max()
    x0, y0, x1, y1 = ((ends[int(thin.argmax())] + 0.5) * 2 * trail.step - 0.5).tolist()
    across = [(x - LINE[0]) - (y - LINE[1]) for x, y in ((x0, y0), (x1, y1))]
    assert np.abs(across).max() / 2**0.5 < 6  # px aside of the true line


def test_the_opening_is_that_of_scipy():
    picture = np.random.default_rng(1).random((40, 57)).astype(np.float32)
    ours = _opened(torch.from_numpy(picture)[None])[0].numpy()
    theirs = ndimage.grey_opening(picture, (SQUARE_CELLS, SQUARE_CELLS), mode="constant", cval=0.0)
    inner = slice(SQUARE_CELLS, -SQUARE_CELLS), slice(SQUARE_CELLS, -SQUARE_CELLS)
    np.testing.assert_allclose(ours[inner], theirs[inner], atol=1e-6)


def test_what_is_brighter_counts_no_more():
    """Or one bright star on a line would be worth as much as the whole of it."""
    bright, brighter = (
        thin_light(surface, between_stars(surface, tight=True))
        for surface in (sky(40 * NOISE), sky(400 * NOISE))
    )
    first, second = searched(bright)[0].max(), searched(brighter)[0].max()
    assert second == pytest.approx(first, rel=0.25)


def test_networks_that_look_otherwise_are_told_the_same():
    surface = sky(25 * NOISE)
    before, now = (look_along(surface, number, (960, 1280)) for number in (4, 5))
    assert now.told.shape == (1, LOOKS[5].count)
    torch.testing.assert_close(now.told[:, : LOOKS[4].count], before.told)
    torch.testing.assert_close(now.snr, before.snr)
