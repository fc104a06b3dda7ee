"""The atlas: rising strengths that the light really shows, and a page that needs nothing else."""

import base64
import io
import re

import numpy as np
import pytest
from PIL import Image
from typer.testing import CliRunner

from classifier.cli import app
from classifier.errors import UsageError
from classifier.vocabulary import INDEX, KEYS, fault
from synth.atlas import draw_row, ladder, overview, render_row, write_atlas
from synth.atlas_panel import close_up, in_colour, stretched, verdict, white_balance
from synth.atlas_rigs import SPECIMENS
from synth.strength import strengths

COLOUR = next(i for i, s in enumerate(SPECIMENS) if s.rig.camera.cfa)
MONO = next(i for i, s in enumerate(SPECIMENS) if not s.rig.camera.cfa)


@pytest.mark.parametrize("key", KEYS)
def test_ladder_crosses_the_level_from_which_a_fault_counts(key):
    steps, row = ladder(key), fault(key)
    rising = np.diff(steps) * (-1 if row.grows_downwards else 1)
    assert (rising > 0).all()
    assert [row.target(step) for step in steps] == pytest.approx([0, 1, 1, 1])


@pytest.mark.parametrize("key", ["drift", "defocus", "vignetting", "clouds", "hot_pixels"])
def test_light_shows_the_steps_of_the_ladder(key):
    scenes = draw_row(key, MONO, 1, 384, 256)
    shown = strengths(scenes)[:, INDEX[key]]
    # The corrections stop at 2 % or after three; a ratio's floor of 1 widens that a little.
    assert shown[1:] == pytest.approx(ladder(key), rel=0.06)
    assert fault(key).target(shown[0]) == 0
    fields = {scene.field_seed for scene in scenes}
    assert len(fields) == 1


def test_bayer_grid_needs_a_mosaic():
    assert draw_row("bayer_grid", MONO, 1, 256, 256) == []
    assert len(draw_row("bayer_grid", COLOUR, 1, 256, 256)) == 5


def test_drawn_out_stars_are_seen_in_the_close_up():
    panels = render_row("drift", MONO, 1, 384, 256)
    spreads = []
    for panel in (panels[0], panels[-1]):
        light = np.asarray(panel.close, float)
        light = np.clip(light - 1.6 * np.median(light), 0, None)
        y, x = np.indices(light.shape)
        weight = light / light.sum()
        cx, cy = (weight * x).sum(), (weight * y).sum()
        cov = np.cov(np.stack((x.ravel() - cx, y.ravel() - cy)), aweights=weight.ravel())
        low, high = np.linalg.eigvalsh(cov)
        spreads.append(np.sqrt(high / low))
    # The picture is compressed in brightness, which rounds the star: 3.5 becomes less.
    assert spreads[1] > 1.3 * spreads[0]


def test_stretch_keeps_order_and_puts_the_sky_at_a_dark_grey():
    rng = np.random.default_rng(1)
    sky = rng.normal(1000, 10, (64, 64))
    sky[:8, 0] = 1000 + np.geomspace(20, 3000, 8)
    grey = stretched(sky)
    assert np.median(grey) == pytest.approx(0.2 * 255, abs=2)
    assert (np.diff(grey[:8, 0].astype(int)) >= 0).all() and grey[7, 0] == 255


@pytest.mark.parametrize("cfa", ["RGGB", "BGGR", "GRBG", "GBRG"])
def test_mosaic_becomes_its_colours_and_stars_white(cfa):
    values = {"R": 10.0, "G": 20.0, "B": 30.0}
    mosaic = np.tile([[values[cfa[0]], values[cfa[1]]], [values[cfa[2]], values[cfa[3]]]], (8, 8))
    assert in_colour(mosaic, cfa)[3, 4].tolist() == [10, 20, 30]
    star = np.zeros_like(mosaic)
    star[4:6, 4:6] = mosaic[:2, :2]
    balance = white_balance(star, cfa)
    assert in_colour(star, cfa)[2, 2] * balance == pytest.approx([20, 20, 20])


def test_close_up_near_a_corner_stays_inside():
    assert close_up(np.random.default_rng(1).normal(size=(256, 256)), 2.0, 255.0).size == (180, 180)
    assert verdict("trail", float("nan")) == "hidden"
    assert [verdict("trail", x) for x in (1.0, 6.0, 9.0)] == ["clean", "between", "counts"]


def test_page_needs_no_other_file(tmp_path):
    out, picture = tmp_path / "atlas.html", tmp_path / "atlas.jpg"
    arguments = ["--fault", "trail", "--fault", "bayer_grid", "--width", "256", "--height", "256"]
    run = CliRunner().invoke(
        app, ["atlas", "--out", str(out), "--picture", str(picture), *arguments]
    )
    assert run.exit_code == 0, run.output
    text = out.read_text(encoding="utf-8")
    assert not re.findall(r'(?:src|href)="(?!data:|#)', text)
    assert "default-src 'none'" in text
    pictures = re.findall(r'src="data:image/jpeg;base64,([^"]+)"', text)
    rigs, mosaics = len(SPECIMENS), sum(s.rig.camera.cfa is not None for s in SPECIMENS)
    assert len(pictures) == 2 * 5 * (rigs + mosaics)
    frame = Image.open(io.BytesIO(base64.b64decode(pictures[0])))
    assert min(frame.size) > 100 and np.asarray(frame).std() > 2
    assert 'alt="trail, ' in text and text.count("<section") == 2
    with Image.open(picture) as sheet:
        assert sheet.size[0] > 400
    with pytest.raises(UsageError, match="exists already"):
        write_atlas(out)


def test_wrong_requests_are_refused(tmp_path):
    with pytest.raises(UsageError, match="'comet' is no fault"):
        write_atlas(tmp_path / "a.html", ["comet"])
    with pytest.raises(UsageError, match=r"has to end in \.jpg"):
        write_atlas(tmp_path / "a.html", ["trail"], picture=tmp_path / "a.gif")
    assert list(tmp_path.iterdir()) == []


def test_overview_holds_every_tile():
    tile = Image.new("RGB", (240, 160), (200, 10, 10))
    sheet = np.asarray(overview([tile] * 5, ["name"] * 5)).astype(int)
    red = (sheet[..., 0] > 150) & (sheet[..., 1] < 60)
    assert red.sum() == 5 * 240 * 160
