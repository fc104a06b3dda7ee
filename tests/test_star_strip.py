"""The strip of stars: which of them it shows, and what is drawn over them.

The outside truth is how the stars were made: round or stretched Gaussians at places and angles
that the test chose; half of a round Gaussian's light lies within 1.1774 sigma (closed form).
"""

import io
import math
from pathlib import Path

import numpy as np
import pytest
import torch
from PIL import Image

from classifier.facts import Facts
from classifier.frame import Frame
from classifier.measures import measure_frame
from classifier.picture import draw_picture
from classifier.results import Picture, StarTile
from classifier.star_marks import GAP_PX, STAR_PX, read_back, star_marks, written
from classifier.star_strip import STRIP_STARS, TELLING, star_strip
from classifier.sub_pictures import from_report
from classifier.views import make_views, physical_vector

HEIGHT, WIDTH = 420, 560


def field(stretched, angle_deg, sigma_px=1.6, long=1.8, seed=3):
    """Stars on a loose grid, those for which `stretched(x, y)` drawn out along an angle."""
    rng = np.random.default_rng(seed)
    pixels = rng.normal(400.0, 5.0, (HEIGHT, WIDTH)).astype(np.float32)
    rows, columns = np.indices(pixels.shape)
    turn = math.radians(angle_deg)
    for y0 in range(40, HEIGHT - 30, 48):
        for x0 in range(40, WIDTH - 30, 48):
            x, y = x0 + rng.uniform(-5, 5), y0 + rng.uniform(-5, 5)
            a = sigma_px * (long if stretched(x, y) else 1.0)
            dx, dy = columns - x, rows - y
            along = dx * math.cos(turn) + dy * math.sin(turn)
            across = -dx * math.sin(turn) + dy * math.cos(turn)
            light = np.exp(-0.5 * ((along / a) ** 2 + (across / sigma_px) ** 2))
            pixels += (rng.uniform(1500, 6000) * light).astype(np.float32)
    return pixels


def drawn(pixels, told=()):
    frame = Frame(Path("sub.fits"), pixels, None, Facts())
    measures = measure_frame(frame)
    with torch.inference_mode():
        views = make_views(torch.from_numpy(pixels)[None], physical_vector(Facts())[None])
        strip, tiles = star_strip(views, WIDTH, HEIGHT, measures.shapes, told)
    return strip, tiles


@pytest.mark.parametrize("angle_deg", [25.0, -60.0])
def test_stars_that_show_the_fault_come_into_the_strip(angle_deg):
    # Only the right third of the field is stretched: a strip by distance alone has few of them.
    pixels = field(lambda x, y: x > 0.66 * WIDTH, angle_deg)
    strip, tiles = drawn(pixels, ("drift",))
    showing = [tile for tile in tiles if "drift" in tile.shows]
    assert len(tiles) == STRIP_STARS and len(showing) >= TELLING
    assert all(tile.x_px > 0.6 * WIDTH for tile in showing)
    for tile in showing:
        off = (tile.angle_deg - angle_deg + 90) % 180 - 90
        assert abs(off) < 8
    away = [math.hypot(t.x_px - WIDTH / 2, t.y_px - HEIGHT / 2) for t in tiles]
    assert away == pytest.approx(sorted(away), abs=2.0)
    picture = Image.open(io.BytesIO(strip))
    assert picture.size == (STRIP_STARS * (STAR_PX + GAP_PX) - GAP_PX, STAR_PX)


def test_what_is_drawn_lies_along_the_star_that_the_strip_shows():
    strip, tiles = drawn(field(lambda x, y: True, 30.0), ("drift",))
    marks = star_marks(Picture(b"", strip, WIDTH, HEIGHT, tiles), ("drift",))
    assert marks["said"].startswith("drift: ") and not marks["discs"]
    assert len(marks["lines"]) == 2 * sum("drift" in tile.shows for tile in tiles)
    light = np.asarray(Image.open(io.BytesIO(strip)), float)
    x0, y0, x1, y1 = marks["lines"][0]
    middle = STAR_PX / 2
    first = light[:, :STAR_PX] - np.median(light[:, :STAR_PX])
    rows, columns = np.indices(first.shape) + 0.5 - middle
    weight = first.clip(0) * (np.hypot(rows, columns) < 0.3 * STAR_PX)
    second = [
        (weight * a * b).sum() for a, b in ((columns, columns), (rows, rows), (columns, rows))
    ]
    seen = 0.5 * math.degrees(math.atan2(2 * second[2], second[0] - second[1]))
    line = math.degrees(math.atan2(y1 - y0, x1 - x0))
    assert abs((line - seen + 90) % 180 - 90) < 8
    # Beside the star, not over it.
    assert min(math.hypot(x - middle, y - middle) for x, y in ((x0, y0), (x1, y1))) > 0.25 * STAR_PX


def test_the_circle_holds_half_of_the_light():
    sigma = 3.0
    _, tiles = drawn(field(lambda x, y: False, 0.0, sigma), ("defocus",))
    marks = star_marks(Picture(b"", b"", WIDTH, HEIGHT, tiles), ("defocus",))
    assert len(marks["discs"]) >= 4
    for _, _, radius in marks["discs"]:
        assert radius * tiles[0].side_px / STAR_PX == pytest.approx(1.1774 * sigma, rel=0.1)


def test_nothing_is_drawn_for_faults_that_the_frame_does_not_have():
    _, tiles = drawn(field(lambda x, y: True, 30.0), ("drift",))
    marks = star_marks(Picture(b"", b"", WIDTH, HEIGHT, tiles), ("trail", "clouds"))
    assert marks["lines"] == marks["discs"] == [] and marks["said"] == ""


def test_neighbours_and_what_is_no_star_are_left_out():
    pixels = field(lambda x, y: False, 0.0)
    pixels[200:203, :] += 3000.0  # a trail straight through the field
    _, tiles = drawn(pixels)
    assert len(tiles) >= 5
    assert all(abs(tile.y_px - 201) > tile.side_px / 4 for tile in tiles)


def test_stars_of_a_strip_are_read_back_from_a_page(tmp_path):
    tiles = (
        StarTile(10.5, 20.0, 32.0, 2.5, -30.0, ("drift", "vibration")),
        StarTile(1.0, 2.0, 8.0),
    )
    assert read_back(written(tiles)) == tiles
    pixel = "data:image/png;base64,AAAA"
    page = tmp_path / "report.html"
    page.write_text(
        f'<article data-path="a" data-width="9" data-height="9"><img class="whole" src="{pixel}">'
        f'<img src="{pixel}" data-stars="{written(tiles)}"></article>'
    )
    assert from_report(page)["a"].tiles == tiles


@pytest.mark.parametrize(
    "text", ["", "1 2 3", "1 2 0 4 5 defocus", "nan 1 1 1 1", "<b>", "1 2 3 4 inf", "[[1,2]]"]
)
def test_anything_else_is_no_star(text):
    assert read_back(text) == ()


def test_an_unknown_fault_of_a_page_is_dropped():
    assert read_back("1 2 3 4 5 drift onload=x")[0].shows == ("drift",)


def test_a_picture_without_measures_has_a_strip_without_marks():
    pixels = field(lambda x, y: True, 30.0)
    with torch.inference_mode():
        views = make_views(torch.from_numpy(pixels)[None], physical_vector(Facts())[None])
    picture = draw_picture(pixels, views)
    assert picture.strip and not star_marks(picture, ("drift",))["lines"]
