"""Light budgets of frames with known electrons: every way to the sky rate, what is measured and
what assumed, stars that saturate, and the command."""

import json
from dataclasses import replace

import numpy as np
import pytest
from astropy.io import fits
from painted_sky import as_frame
from typer.testing import CliRunner

from classifier.background import measure_background
from classifier.camera_facts import (
    ASSUMED,
    GIVEN,
    HEADER,
    MEASURED,
    UNKNOWN,
    Masters,
    camera_facts,
    measure_masters,
)
from classifier.cli import app
from classifier.errors import FrameError
from classifier.exposure_text import Goal, exposure_json, groups, lengths, sentences, zero_point
from classifier.light_budget import Levels, light_budget
from classifier.rig import Rig

SKY, GAIN, READ_NOISE, OFFSET, TIME = 1.5, 0.5, 2.0, 500.0, 60.0
SHAPE = (400, 500)
KNOWN = {"exposure_s": TIME, "bit_depth": 16}


def electrons(seconds, seed, sky=SKY, stars=True):
    """Expected electrons: a flat sky and 60 Gaussian stars whose places and light depend on no
    seed but 5."""
    rng = np.random.default_rng(5)
    light = np.full(SHAPE, sky * seconds, float)
    yy, xx = np.mgrid[-9:10, -9:10]
    for x, y, flux in zip(
        rng.uniform(15, SHAPE[1] - 15, 60), rng.uniform(15, SHAPE[0] - 15, 60),
        40 * (1 + rng.pareto(0.7, 60)).clip(1, 300), strict=True,
    ):  # fmt: skip
        c, r = round(x), round(y)
        spot = np.exp(-((xx - x + c) ** 2 + (yy - y + r) ** 2) / (2 * 1.3**2)) / (2 * np.pi * 1.69)
        light[r - 9 : r + 10, c - 9 : c + 10] += stars * flux * seconds * spot
    return light


def sub(seconds=TIME, seed=0, sky=SKY, stars=True, **facts):
    """A sub of the camera above, as whole numbers of ADU, clipped at 65535."""
    rng = np.random.default_rng(seed)
    signal = rng.poisson(electrons(seconds, seed, sky, stars)) + rng.normal(0, READ_NOISE, SHAPE)
    pixels = np.round(signal / GAIN + OFFSET).clip(0, 65535)
    return as_frame(pixels, **{**KNOWN, "exposure_s": seconds, **facts})


def bias(seed, bit_depth=16):
    pixels = np.random.default_rng(seed).normal(OFFSET, READ_NOISE / GAIN, SHAPE).round()
    return as_frame(pixels, bit_depth=bit_depth, kind="bias", exposure_s=0.001)


def test_sky_from_level_gain_and_offset():
    budget = light_budget(sub(), Rig(gain_e_adu=GAIN, offset_adu=OFFSET, read_noise_e=READ_NOISE))
    # Whole ADU are 0.5 e: a median of 200,000 pixels is off by half a step, 0.3 % of 90 e.
    assert budget.sky_e_per_s[""] == pytest.approx(SKY, rel=0.01)
    assert budget.camera.gain_e_adu.origin == GIVEN
    # 9.756 x 4 / 1.5 = 26.0 s; 60 s have sqrt(1 + 4/90) - 1 = 2.2 %.
    assert budget.sub_length_s(0.05) == pytest.approx(26.0, rel=0.015)
    assert budget.noise_excess == pytest.approx(0.0220, rel=0.02)


def test_sky_from_the_noise_where_the_offset_is_unknown():
    """The variance of 200,000 pixels is known to 0.3 %; stars and rounding add to it."""
    budget = light_budget(sub(gain_e_adu=GAIN, read_noise_e=READ_NOISE))
    assert budget.sky_e_per_s[""] == pytest.approx(SKY, rel=0.03)
    assert budget.camera.gain_e_adu.origin == HEADER
    assert budget.camera.offset_adu.origin == UNKNOWN and budget.sky.origin == MEASURED


def test_bias_frames_give_everything():
    """Offset and read noise from two bias frames, the gain from the sub's own sky and noise."""
    masters = measure_masters([bias(1), bias(2)], [])
    assert masters.offset_adu == pytest.approx(OFFSET, abs=0.5)
    # sigma of the difference over sqrt 2, with rounding: sqrt(4^2 + 1/12) = 4.01 ADU.
    assert masters.read_noise_adu == pytest.approx(4.01, rel=0.01)
    budget = light_budget(sub(), None, masters)
    assert budget.camera.gain_e_adu.origin == MEASURED
    assert budget.camera.gain_e_adu.value == pytest.approx(GAIN, rel=0.03)
    assert budget.camera.read_noise_e.value == pytest.approx(READ_NOISE, rel=0.04)
    assert budget.sky_e_per_s[""] == pytest.approx(SKY, rel=0.03)


def test_one_bias_frame_is_nearly_as_good():
    masters = measure_masters([bias(1)], [])
    assert masters.read_noise_adu == pytest.approx(4.01, rel=0.02) and masters.note


@pytest.mark.parametrize("frames", [1, 2])
def test_averaged_bias_frames_tell_no_read_noise(frames):
    masters = measure_masters([bias(i, bit_depth=None) for i in range(frames)], [])
    assert masters.offset_adu == pytest.approx(OFFSET, abs=0.5)
    assert masters.read_noise_adu is None and "averaged" in masters.note


def test_bias_frames_without_noise_are_not_believed():
    flat = as_frame(np.full(SHAPE, 500.0), bit_depth=16)
    masters = measure_masters([flat, flat], [])
    assert masters.read_noise_adu is None and "no noise" in masters.note
    budget = light_budget(sub(gain_e_adu=GAIN), None, masters)
    assert budget.camera.read_noise_e.origin == ASSUMED


def test_dark_current_is_told_apart_from_the_sky():
    """0.5 e/s of dark current beside 1.5 e/s of sky."""
    pixels = np.random.default_rng(4).poisson(0.5 * 120, SHAPE) / GAIN + OFFSET
    dark = as_frame(pixels.round(), bit_depth=16, exposure_s=120.0, kind="dark")
    masters = measure_masters([bias(1), bias(2)], [dark])
    rig = Rig(gain_e_adu=GAIN, read_noise_e=READ_NOISE)
    budget = light_budget(sub(sky=SKY + 0.5), rig, masters)
    assert budget.camera.dark_e_per_s.value == pytest.approx(0.5, rel=0.02)
    assert budget.sky_e_per_s[""] == pytest.approx(SKY, rel=0.02)
    assert budget.rate_e_per_s == pytest.approx(SKY + 0.5, rel=0.02)


def test_gain_is_measured_with_an_assumed_read_noise_if_the_sky_is_bright():
    """Sky 900 e: the assumed 3 e for the true 2 e change the gain by 5/900."""
    bright = light_budget(sub(sky=15.0), Rig(offset_adu=OFFSET))
    assert bright.camera.gain_e_adu.origin == MEASURED
    assert bright.camera.gain_e_adu.value == pytest.approx(GAIN, rel=0.03)
    dim = light_budget(sub(sky=0.1), Rig(offset_adu=OFFSET))
    assert dim.camera.gain_e_adu.origin == ASSUMED and dim.sky.origin == ASSUMED


def test_gain_is_measured_with_a_stated_read_noise():
    """12 electrons of sky and 4 of squared read noise: variance g^2 = sky g + R^2. The median of
    so few electrons lies 0.17 below their mean (Poisson), 1.4 %, and whole ADU add as much."""
    frame = sub(sky=0.2, stars=False)
    budget = light_budget(frame, Rig(offset_adu=OFFSET, read_noise_e=READ_NOISE))
    assert budget.camera.gain_e_adu.value == pytest.approx(GAIN, rel=0.05)
    assert budget.camera.gain_e_adu.origin == MEASURED


def test_mosaic_has_a_sky_for_each_colour():
    """Red 0.6, green 1.5, blue 1.0 e/s on a GRBG mosaic: the dimmest decides."""
    rates = np.array([[1.5, 0.6], [1.0, 1.5]])
    pattern = np.tile(rates, (SHAPE[0] // 2, SHAPE[1] // 2)) * TIME
    rng = np.random.default_rng(2)
    pixels = ((rng.poisson(pattern) + rng.normal(0, READ_NOISE, SHAPE)) / GAIN + OFFSET).round()
    frame = as_frame(pixels, **KNOWN, bayer="GRBG")
    by_level = light_budget(frame, Rig(gain_e_adu=GAIN, offset_adu=OFFSET, read_noise_e=2.0))
    by_noise = light_budget(frame, Rig(gain_e_adu=GAIN, read_noise_e=2.0))
    for budget, tolerance in ((by_level, 0.02), (by_noise, 0.05)):
        assert list(budget.sky_e_per_s) == ["B", "G", "R"]
        for colour, rate in (("R", 0.6), ("G", 1.5), ("B", 1.0)):
            assert budget.sky_e_per_s[colour] == pytest.approx(rate, rel=tolerance)
    assert by_level.rate_e_per_s == by_level.sky_e_per_s["R"]
    assert "The dimmest colour, R, decides." in sentences(by_level, Goal())


@pytest.mark.parametrize("seconds", [15.0, 60.0, 150.0])
def test_saturated_stars_are_foretold(seconds):
    """Foretold from a sub of 60 s, counted in a sub really rendered at the other length. A star
    within 10 % of the limit may fall on either side of it: noise of its peak and its rounding."""
    rig = Rig(gain_e_adu=GAIN, offset_adu=OFFSET, read_noise_e=READ_NOISE)
    top = 2500.0  # not far above the offset, which is no light
    frame = sub(saturation_adu=top)
    frame = replace(frame, pixels=frame.pixels.clip(None, top))
    told = light_budget(frame, rig).at_length(seconds)
    peaks = electrons(seconds, 0) / GAIN + OFFSET
    rng = np.random.default_rng(5)
    places = np.c_[rng.uniform(15, SHAPE[1] - 15, 60), rng.uniform(15, SHAPE[0] - 15, 60)]
    highest = np.array(
        [peaks[round(y) - 1 : round(y) + 2, round(x) - 1 : round(x) + 2].max() for x, y in places]
    )
    sure, perhaps = (highest > 1.1 * top).sum(), (highest > 0.9 * top).sum()
    assert told.at_most is (seconds < TIME)
    if told.at_most:
        assert told.stars >= sure
    else:
        assert sure - 2 <= told.stars <= perhaps + 2  # blends count once
        assert perhaps >= 3
        clipped = float((peaks >= top).mean())
        assert told.clipped_share == pytest.approx(clipped, rel=0.25, abs=2e-5)


@pytest.mark.parametrize("level", [-4.0, -1.0, 0.0, 1.5, 2.5, 4.0, 9.0])
def test_levels_count_pixels(level):
    """Exactly among the 20,000 brightest, to 0.2 % of all below them."""
    pixels = np.random.default_rng(1).normal(size=(600, 700)).astype(np.float32)
    counted = float((pixels >= level).mean())
    tolerance = 0.0 if counted * pixels.size < 20_000 else 0.002
    assert Levels.of(pixels).share_from(level) == pytest.approx(counted, abs=tolerance + 1e-12)


def test_budgets_do_not_keep_their_frames():
    budget = light_budget(sub(), Rig(gain_e_adu=GAIN, offset_adu=OFFSET))
    kept = [getattr(budget, name) for name in vars(budget)]
    arrays = [a for a in kept if isinstance(a, np.ndarray)] + [budget._levels.brightest_adu]
    assert sum(a.nbytes if a.base is None else a.base.nbytes for a in arrays) < 4 * 100_000


def test_saturation_unknown_or_assumed():
    rig = Rig(gain_e_adu=GAIN, offset_adu=OFFSET)
    budget = light_budget(sub(bit_depth=None), rig)
    assert budget.at_length(100.0) is None
    assert light_budget(sub(), rig).camera.saturation_adu.origin == ASSUMED


def test_contradiction_of_level_and_noise_is_told():
    """A gain four times too large: the noise is not that of so many electrons."""
    wrong = light_budget(sub(), Rig(gain_e_adu=4 * GAIN, offset_adu=OFFSET, read_noise_e=2.0))
    right = light_budget(sub(), Rig(gain_e_adu=GAIN, offset_adu=OFFSET, read_noise_e=2.0))
    assert "one of them is not this sub's" in wrong.notes[0] and right.notes == []


@pytest.mark.parametrize(
    ("frame", "rig", "told"),
    [
        (sub(exposure_s=None), Rig(gain_e_adu=1.0), "no exposure time"),
        (sub(), None, "give --gain"),
        (sub(), Rig(gain_e_adu=GAIN, offset_adu=900.0), "which cannot be"),
        (sub(sky=0.0, stars=False), Rig(gain_e_adu=GAIN, read_noise_e=2.0), "give --offset"),
    ],
)
def test_what_cannot_be_told_says_why(frame, rig, told):
    with pytest.raises(FrameError, match=told):
        light_budget(frame, rig)


def test_interpolated_colour_has_lost_its_noise():
    frame = replace(sub(), planes=np.zeros((3, *SHAPE), np.float32))
    with pytest.raises(FrameError, match="interpolated"):
        light_budget(frame, Rig(gain_e_adu=GAIN))


def test_order_of_trust():
    """Given over measured over header."""
    masters = Masters(501.0, 4.0)
    frame = sub(gain_e_adu=0.7, read_noise_e=9.0, offset_adu=400.0)
    background = measure_background(frame.pixels)
    facts = camera_facts(frame, background, Rig(read_noise_e=1.0), masters)
    assert (facts.read_noise_e.value, facts.read_noise_e.origin) == (1.0, GIVEN)
    assert (facts.offset_adu.value, facts.offset_adu.origin) == (501.0, MEASURED)
    assert (facts.gain_e_adu.value, facts.gain_e_adu.origin) == (0.7, HEADER)
    facts = camera_facts(frame, background, None, masters)
    assert facts.read_noise_e.value == pytest.approx(4.0 * 0.7)
    # A pedestal is what was added, not what was there before.
    added = camera_facts(sub(pedestal_adu=100.0), background, None, Masters()).offset_adu
    assert (added.value, added.origin) == (None, UNKNOWN) and "100 ADU" in added.note


def test_words_and_lengths():
    rig = Rig(gain_e_adu=GAIN, offset_adu=OFFSET, read_noise_e=READ_NOISE, aperture_mm=100.0)
    budget = light_budget(sub(filter="Ha"), rig)
    told = " ".join(sentences(budget, Goal(0.05, depth_mag=18.0)))
    assert "long enough: 26 s would do for 5 %" in told and "Magnitude 18 at S/N 5 takes" in told
    assert "too short for 1 %: take 13" in " ".join(sentences(budget, Goal(0.01)))
    rows = lengths(budget, Goal(0.05))
    assert [round(excess, 3) for _, excess in rows] == [0.1, 0.05, 0.022, 0.02]
    # Ha is taken for 7 nm, a V filter for 90: 2.77 mag.
    broad = zero_point(light_budget(sub(filter="V"), rig), Goal()).value
    assert broad - zero_point(budget, Goal()).value == pytest.approx(2.773, abs=1e-3)
    assert zero_point(budget, Goal(zero_point_mag=20.0)).origin == GIVEN
    assert zero_point(light_budget(sub(), Rig(gain_e_adu=1.0)), Goal()).value is None


def test_time_for_a_depth_agrees_with_the_closed_form():
    """N = snr^2 (F t + area (E t + R^2)) / (F t)^2, written out once more."""
    rig = Rig(gain_e_adu=GAIN, offset_adu=OFFSET, read_noise_e=READ_NOISE)
    budget = light_budget(sub(), rig)
    goal = Goal(0.05, depth_mag=22.0, zero_point_mag=20.0)
    (words,) = [each for each in sentences(budget, goal) if each.startswith("Magnitude 22")]
    subs = int(words.split("takes ")[1].split(" sub")[0].replace(",", ""))
    light = 10 ** (0.4 * (20.0 - 22.0)) * TIME
    area = 4 * np.pi * (budget.fwhm_px / 2.35482) ** 2
    expected = 25 * (area * (budget.rate_e_per_s * TIME + READ_NOISE**2) + light) / light**2
    assert subs == pytest.approx(expected, abs=1.01)


def test_subs_of_one_kind_are_told_together():
    rig = Rig(gain_e_adu=GAIN, offset_adu=OFFSET)
    budgets = [light_budget(sub(seed=i, filter=f), rig) for i, f in enumerate("LLR")]
    assert [len(group) for group in groups(budgets)] == [2, 1]
    data = exposure_json(budgets, Goal())
    assert data["subs"][0]["camera"]["gain_e_adu"] == {"value": 0.5, "origin": "given", "note": ""}


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    folder = tmp_path_factory.mktemp("night")
    (folder / "bias").mkdir()
    for number in (1, 2):
        write(folder / f"sub{number}.fits", sub(seed=number).pixels, EXPTIME=TIME, FILTER="L")
        write(folder / "bias" / f"b{number}.fits", bias(number).pixels, IMAGETYP="Bias")
    return folder


def write(path, pixels, **cards):
    hdu = fits.PrimaryHDU(np.asarray(pixels).astype(np.uint16))
    hdu.header.update(cards)
    hdu.writeto(path)


def test_command(night):
    arguments = ["exposure", str(night / "sub1.fits"), str(night / "sub2.fits")]
    result = CliRunner().invoke(app, [*arguments, "--bias", str(night / "bias")])
    assert result.exit_code == 0, result.output
    assert "L, 2 subs of 60 s" in result.stdout and "measured" in result.stdout
    data = json.loads(
        CliRunner()
        .invoke(app, [*arguments, "--gain", "0.5", "--offset", "500", "--json", "-"])
        .stdout
    )
    assert data["schema"] == "nightcull/exposure-1"
    assert data["subs"][0]["sky_e_per_s"][""] == pytest.approx(SKY, rel=0.02)
    assert data["subs"][0]["camera"]["read_noise_e"]["origin"] == "assumed"


def test_command_says_what_is_missing(night):
    result = CliRunner().invoke(app, ["exposure", str(night / "sub1.fits")])
    assert result.exit_code != 0 and "give --gain" in result.stderr
    wrong = ["exposure", str(night / "sub1.fits"), "--dark", str(night / "bias")]
    result = CliRunner().invoke(app, wrong)
    assert "says bias; name dark frames" in str(result.exception)
