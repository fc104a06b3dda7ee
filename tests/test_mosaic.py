"""Which colour lies at the array's origin: header and pixels, pictures either way up."""

import numpy as np
import pytest
from frame_files import mosaic, read, write


@pytest.mark.parametrize("height", [60, 61])
@pytest.mark.parametrize("order", ["RGGB", "BGGR", "GRBG", "GBRG"])
def test_row_order_of_the_mosaic(tmp_path, order, height):
    """The picture from the top is `order`; turned over on writing, its array order is what the
    colours at array [0,0], [0,1], [1,0], [1,1] then are."""
    top_down = mosaic(order, (height, 64)).astype(np.uint16)
    bottom_up = top_down[::-1]
    for data, row_order in ((top_down, "TOP-DOWN"), (bottom_up, "BOTTOM-UP")):
        path = write(tmp_path / f"{row_order}.fits", data, BAYERPAT=order, ROWORDER=row_order)
        frame = read(path)
        # Read the colours off the pixels themselves: R 300, G 900, B 500.
        levels = [np.median(data[y::2, x::2]) for y in (0, 1) for x in (0, 1)]
        seen = "".join("RBG"[int(np.argmin(np.abs(np.array([300, 500, 900]) - v)))] for v in levels)
        assert frame.facts.bayer == seen
        assert not frame.notes


def test_pixels_contradict_a_mosaic_turned_over(tmp_path):
    data = mosaic("GBRG", (60, 64)).astype(np.uint16)
    frame = read(write(tmp_path / "a.fits", data, BAYERPAT="RGGB"))
    assert frame.facts.bayer == "GBRG"
    assert "RGGB" in frame.notes[0]


def test_grey_sky_leaves_the_header_alone(tmp_path):
    for seed in range(20):
        data = mosaic("RGGB", (60, 64), 900, 900, 900, seed=seed).astype(np.uint16)
        path = write(tmp_path / f"{seed}.fits", data, BAYERPAT="RGGB")
        assert read(path).facts.bayer == "RGGB"
