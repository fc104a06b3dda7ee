"""What 8-bit pictures leave of a frame: against scipy, Pillow's coder, and noise that is drawn."""

import io
from dataclasses import replace

import numpy as np
import pytest
import torch
from PIL import Image
from scipy.integrate import quad
from scipy.ndimage import convolve
from scipy.stats import norm
from test_processing import file_of, plain_scene

from classifier.frame import read_frame
from classifier.vocabulary import KEYS, fault
from synth import pictures
from synth.processing import is_lost


def runs(kind, count=40):
    plain = plain_scene(kind)
    return [replace(plain, field_seed=seed) for seed in range(count)]


@pytest.mark.parametrize("spacing", [1, 2])
def test_blurring_against_scipy(spacing):
    picture = np.random.default_rng(1).normal(size=(17, 23))
    line = np.zeros(2 * spacing + 1)
    line[[0, spacing, -1]] = 0.25, 0.5, 0.25
    wanted = convolve(picture, line[:, None] * line, mode="nearest")
    found = pictures.blurred(torch.from_numpy(picture)[None], spacing)[0]
    np.testing.assert_allclose(found, wanted, atol=1e-12)


def test_a_noise_filter_leaves_stars_and_blurs_the_sky():
    noise = torch.from_numpy(np.random.default_rng(2).normal(size=(1, 128, 128)))
    y, x = np.mgrid[:128, :128] - 64.0
    star = torch.from_numpy(300 * np.exp(-(x**2 + y**2) / (2 * 1.5**2)))
    found = pictures.quietened(noise + star, 2, 2.0)[0].numpy()
    sky = np.concatenate((found[:40], found[-40:]))
    # Two binomial filters, one with holes, leave noise whose neighbours are alike: 1, 2, 1 alone
    # correlates them by 2/3 (4 of 6 squared weights).
    assert sky.std() < 0.5
    assert np.corrcoef(sky[:, 1:].ravel(), sky[:, :-1].ravel())[0, 1] > 0.5
    # The peak of 300 loses thresholds of two sigma of 0.8 and less; the ring of the fine scale's
    # negative values loses them too, which adds some per cent to the sum.
    near = np.hypot(x, y) < 6
    assert found[near].sum() == pytest.approx(float(star.numpy()[near].sum()), rel=0.05)
    assert found.max() == pytest.approx(300, abs=6)


@pytest.mark.parametrize("level", [-0.5, 0.0, 1.0, 2.5])
def test_what_a_cut_at_zero_leaves_of_signal_to_noise_by_integration(level):
    def mean(at, power):
        return quad(lambda z: (z + at) ** power * norm.pdf(z), -at, 12)[0]

    sigma = (mean(level, 2) - mean(level, 1) ** 2) ** 0.5
    slope = (mean(level + 1e-4, 1) - mean(level - 1e-4, 1)) / 2e-4
    assert pictures._cut_off(level) == pytest.approx(slope / sigma, rel=1e-4)


def test_eight_bits_keep_their_noise_and_their_sky_in_range():
    zeros = []
    for scene in runs("eight_bit", 60):
        black, step = pictures.eight_bit_levels(scene)
        # 1,000 e of sky over an offset of 500 ADU; noise 32 ADU.
        assert (1500 - black) / step < 125
        assert scene.noise_e / step > 0.6
        zeros.append(norm.cdf((black - 1500) / scene.noise_e))
    # As files of star cameras: in some a part of the pixels is 0, in most none.
    assert 0.05 < np.mean(np.array(zeros) > 0.02) < 0.5
    assert max(zeros) <= 0.5


def test_a_deep_sub_keeps_its_noise_above_the_steps():
    """A sky of 40,000 e has a noise of half a per cent: 256 steps over all of it would hide it."""
    for kind in pictures.PICTURES:
        for scene in runs(kind, 20):
            deep = replace(scene, exposure_s=40 * scene.exposure_s)
            assert pictures.signal_kept(deep) > 0.3
            if kind == "eight_bit":
                black, step = pictures.eight_bit_levels(deep)
                assert (500 + deep.sky_e - black) / step < 125


@pytest.mark.parametrize("quality", [None, 70, 90])
def test_signal_kept_is_what_an_independent_coder_leaves(quality, monkeypatch):
    """A faint broad bar in noise, cut down to 8 bits by numpy and coded by Pillow, seen through its
    own matched filter, with and without."""
    scene = runs("eight_bit", 1)[0]
    plain = pictures.Handling(quality, 0, 0.0, 0.0)
    monkeypatch.setattr(pictures, "handling", lambda scene: plain)
    monkeypatch.setattr(pictures, "eight_bit_levels", lambda scene: (1500 - 20 * step, step))
    step = scene.noise_e / 2.0
    rng = np.random.default_rng(3)
    x = np.arange(96) - 48
    bar = np.tile(np.exp(-(x**2) / (2 * 3.0**2)), (96, 1))

    def stored(light):
        counts = light.round().clip(0, 255)
        if quality is None:
            return counts
        buffer = io.BytesIO()
        Image.fromarray(counts.astype(np.uint8)).save(buffer, "JPEG", quality=quality)
        return np.asarray(Image.open(buffer)).astype(float)

    without, less = [], []
    for _ in range(150):
        noise = 20 + rng.normal(0, 2.0, bar.shape)
        plain_answer = (stored(noise) * (bar - bar.mean())).sum()
        without.append(plain_answer)
        less.append((stored(noise + 0.5 * bar) * (bar - bar.mean())).sum() - plain_answer)
    found = np.mean(less) / np.std(without)
    ideal = 0.5 * ((bar - bar.mean()) ** 2).sum() ** 0.5 / 2.0
    # 150 sigmas of noise are good to 6 %. A coder that rounds most of the noise to nothing (70)
    # leaves no Gaussian: the uniform error is then a rule of thumb.
    assert found / ideal == pytest.approx(pictures.signal_kept(scene), rel=0.2 if quality else 0.12)


def test_a_trail_that_a_picture_drowns_is_not_taught():
    kept = {pictures.signal_kept(scene): scene for scene in runs("picture")}
    least = min(kept)
    assert least < 0.8 < max(kept)
    # S/N 8 counts (the vocabulary); what is left of a trail just above that does not.
    assert is_lost(kept[least], "trail", 8.5)
    assert not is_lost(kept[least], "trail", 100.0)
    assert not is_lost(plain_scene("raw"), "trail", 8.5)


def test_the_top_is_known_where_stars_are_burnt_out_as_a_reader_of_the_file_knows_it(tmp_path):
    for burnt in (0, 2, 3, 9):
        pixels = np.full((96, 96), 40.0, np.float32) + np.arange(96) % 3
        pixels.ravel()[: 10 * burnt : 10] = 255
        path = tmp_path / f"{burnt}.png"
        Image.fromarray(pixels.astype(np.uint8)).save(path)
        wanted = read_frame(path).facts.saturation_adu
        assert bool(pictures.is_burnt_out(torch.from_numpy(pixels)[None])[0]) is (wanted == 255)


def test_a_burnt_out_picture_tells_its_top():
    scene = plain_scene("picture")
    _, facts = file_of(scene)
    assert np.isnan(facts["saturation_adu"])
    _, facts = file_of(replace(scene, hot_share=0.01, hot_e=60_000.0))
    assert facts["saturation_adu"] == 255


@pytest.mark.parametrize("key", KEYS)
def test_a_plain_file_hides_no_strength_between_clean_and_faulty(key):
    """What is neither one nor the other is learnt as the share of the way from one to the other."""
    row = fault(key)
    for share in (0.1, 0.5, 0.9, 1.0):
        strength = row.clean_below + share * (row.counts_from - row.clean_below)
        assert not is_lost(plain_scene("raw"), key, strength)
