"""Bias frames named for a rig: what they tell, what they give way to, and how a night uses them.

A frame of normal noise of s ADU about b has the median b and the noise s, to within 1.17 s / sqrt n
(the error of a median and, nearly, of a robust spread); rounding to whole ADU adds 1/12 to s^2.
"""

from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from typer.testing import CliRunner

from classifier.cli import app
from classifier.errors import UsageError
from classifier.rig import Rig
from classifier.sky_evidence import NO_OFFSET
from classifier.still_frames import rig_with_bias, still_frames
from synth.generate import render_batch

LEVEL, NOISE, SIDE = 512.0, 3.0, 256
RUNNER = CliRunner()


def write(path: Path, pixels: np.ndarray, kind: str, **cards: float) -> None:
    hdu = fits.PrimaryHDU(np.round(pixels).astype(np.uint16))
    hdu.header.update({"IMAGETYP": kind, **cards})
    hdu.writeto(path)


@pytest.fixture(scope="module")
def mixed(tmp_path_factory) -> Path:
    """Lights of 1.5 e per ADU that tell no offset, and bias frames among them, lights first."""
    folder = tmp_path_factory.mktemp("mixed")
    rng = np.random.default_rng(5)
    lights = render_batch(3, 0, 2, SIDE, SIDE, faults=(), cfa=False).pixels.numpy()
    for number, pixels in enumerate(lights):
        write(folder / f"a{number}.fits", pixels.clip(0, 65_535), "Light Frame", EXPTIME=60.0)
    for number in range(3):
        still = rng.normal(LEVEL, NOISE, (SIDE, SIDE))
        write(folder / f"b{number}.fits", still, "Bias Frame", EXPTIME=0.0, EGAIN=1.5)
    return folder


def test_bias_frames_tell_level_and_read_noise(mixed):
    rig = rig_with_bias(None, [mixed])
    assert rig is not None
    assert rig.offset_adu == pytest.approx(LEVEL, abs=0.5)
    spread = 1.5 * (NOISE**2 + 1 / 12) ** 0.5
    assert rig.read_noise_e == pytest.approx(spread, rel=4 * 1.17 / SIDE)
    assert rig_with_bias(Rig(gain_e_adu=0.5), [mixed]).read_noise_e == pytest.approx(
        spread / 3, rel=4 * 1.17 / SIDE
    )


def test_what_is_given_has_the_last_word(mixed):
    given = Rig(offset_adu=100.0, read_noise_e=9.0, focal_mm=500.0)
    assert rig_with_bias(given, [mixed]) == given
    assert rig_with_bias(given, None) is given and rig_with_bias(None, []) is None


def test_of_a_mixed_folder_what_the_header_says_is_taken(mixed, tmp_path):
    assert [frame.path.name for frame in still_frames([mixed], "bias")] == ["b0.fits", "b1.fits"]
    lights = sorted(mixed.glob("a*"))
    with pytest.raises(UsageError, match=r"^--bias: the header of a0.fits says light; name bias"):
        still_frames(lights, "bias")
    # A light that says nothing of its kind is not taken for one either.
    silent = tmp_path / "silent"
    silent.mkdir()
    light = fits.getdata(lights[0])
    fits.PrimaryHDU(light).writeto(silent / "a.fits")
    assert [frame.path.name for frame in still_frames([silent], "bias")] == ["a.fits"]
    still_names = [f.path.name for f in still_frames([silent, mixed / "b2.fits"], "bias")]
    assert still_names == ["b2.fits"]
    with pytest.raises(UsageError, match=r"^--bias: the header of a0.fits says light"):
        still_frames([silent, lights[0]], "bias")
    broken = tmp_path / "broken.fits"
    broken.write_text("no picture")
    with pytest.raises(UsageError, match=r"^--bias: broken.fits: "):
        still_frames([broken], "bias")


def test_a_night_with_bias_frames_is_measured_in_shares_of_its_sky(mixed, tmp_path):
    def label(name: str, *more: str) -> tuple[str, str]:
        out = tmp_path / name
        wanted = ["label", str(mixed), "--out", str(out), "--no-cache", *more]
        result = RUNNER.invoke(app, wanted)
        assert result.exit_code == 0, result.output
        return result.output, (out / "frames.json").read_text(encoding="utf-8")

    told, results = label("without")
    assert NO_OFFSET in results and "name the bias frames by --bias" in " ".join(told.split())
    told, results = label("with", "--bias", str(mixed))
    assert NO_OFFSET not in results and "--bias" not in told
