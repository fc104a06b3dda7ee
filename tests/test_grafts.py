"""Grafted samples: good frames found and kept apart, faults dealt evenly, labels that hold."""

import csv
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import torch
from astropy.io import fits
from scipy import ndimage
from small_model import write_small_model

from classifier.context import CONTEXT
from classifier.errors import UsageError
from classifier.frame import read_frame
from classifier.vocabulary import FAULTS, INDEX, KEYS
from classifier.weights import load_model
from synth.graft import graft
from synth.recipes import draw_strength
from synth.stand_in import Source, smooth_sky
from training.evaluate import Answers
from training.good_frames import GoodFrame, good_frames, pack, part_of, unpack
from training.grafts import (
    GOOD_FRAMES,
    OF_THE_RUN,
    RUN_FRAMES,
    Deck,
    _faulty,
    grafted,
    source_of,
    spread_out,
    turned_windows,
)
from training.judge import false_labels, grafted_figures

GAIN, READ_E, OFFSET = 1.2, 3.0, 500


def sub(seed: int, planes: tuple[float, ...] = (400.0,) * 4, side: int = 224) -> np.ndarray:
    """Whole ADU of a sky with forty round stars of FWHM 3 px; planes: sky of the four places."""
    rng = np.random.default_rng(seed)
    light = np.tile(np.reshape(planes, (2, 2)), (side // 2, side // 2))
    y, x = np.mgrid[:side, :side]
    for _ in range(40):
        cx, cy, flux = *rng.uniform(8, side - 8, 2), 5e3 * rng.uniform(1, 30)
        light += flux / 10.2 * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / 3.25)
    electrons = rng.poisson(light) + rng.normal(0, READ_E, light.shape)
    return np.round(electrons / GAIN + OFFSET).clip(0, 65535).astype(np.uint16)


def write(path, pixels, **cards):
    path.parent.mkdir(parents=True, exist_ok=True)
    hdu = fits.PrimaryHDU(pixels)
    for keyword, value in ({"EGAIN": GAIN, "EXPTIME": 60.0} | cards).items():
        hdu.header[keyword] = value
    hdu.writeto(path)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    top = tmp_path_factory.mktemp("good")
    for group in ("a", "b", "c"):
        for number in range(2):
            write(top / group / f"{number}.fits", sub(hash_free(group, number)))
    return top


def hash_free(group: str, number: int) -> int:
    return ord(group) * 10 + number


@pytest.fixture(scope="module")
def frames(folder):
    return good_frames(folder)[0]


def test_all_frames_of_a_plain_folder_are_good(frames):
    assert sorted(f.group for f in frames) == ["a", "a", "b", "b", "c", "c"]
    for frame in frames:
        # The stars are 3 px wide; the measure has its own error.
        assert frame.fwhm_px == pytest.approx(3.0, rel=0.1)
        assert frame.unsure == frozenset()


def test_a_table_says_what_is_good_and_what_is_unsure(tmp_path):
    rows = [
        ("good.fits", "", "", ""),
        ("doubtful.fits", "", "drift|vibration", ""),
        ("trail.fits", "trail", "", ""),
        ("dark.fits", "", "", "yes"),
    ]
    for number, row in enumerate(rows):
        write(tmp_path / row[0], sub(number))
    with (tmp_path / "manifest.csv").open("w", newline="") as stream:
        table = csv.writer(stream)
        table.writerow(("file", "labels", "unsure", "unfamiliar"))
        table.writerows(rows)
    frames, notes = good_frames(tmp_path)
    assert [f.path.name for f in frames] == ["good.fits", "doubtful.fits"]
    assert frames[1].unsure == {"drift", "vibration"}
    assert notes == []


def test_what_cannot_serve_is_left_out_with_its_reason(tmp_path, folder):
    pixels = sub(1)
    write(tmp_path / "1.fits", pixels)
    write(tmp_path / "again.fits", pixels)
    write(tmp_path / "small.fits", pixels[:100, :100])
    write(tmp_path / "sky.fits", np.random.default_rng(1).poisson(400, (200, 200)).astype("u2"))
    write(tmp_path / "mosaic.fits", sub(2, (400.0, 600.0, 600.0, 300.0)))
    write(tmp_path / "told.fits", sub(3, (400.0, 600.0, 600.0, 300.0)), BAYERPAT="RGGB")
    (tmp_path / "torn.fits").write_bytes(b"SIMPLE  = not a file")
    frames, notes = good_frames(tmp_path)
    assert [f.path.name for f in frames] == ["1.fits", "told.fits"]
    text = " ".join(notes)
    for reason in ("the same picture", "100 x 100 px is too small", "no star", "colour mosaic"):
        assert reason in text
    assert len(notes) == 5
    empty = tmp_path / "empty"
    empty.mkdir()
    with pytest.raises(UsageError, match="no good frame"):
        good_frames(empty)
    with pytest.raises(UsageError, match="no folder"):
        good_frames(tmp_path / "nowhere")


def test_no_source_is_ever_in_training_and_in_evaluation(folder, frames):
    parts = {}
    for part in ("training", "evaluation"):
        try:
            parts[part] = {f.path for f in good_frames(folder, part)[0]}
        except UsageError:
            parts[part] = set()
    assert parts["training"] | parts["evaluation"] == {f.path for f in frames}
    assert not parts["training"] & parts["evaluation"]
    groups = [{f.group for f in frames if f.path in paths} for paths in parts.values()]
    assert not groups[0] & groups[1]
    # By the name alone, about half and half: 400 names, 3 sigma is 30.
    names = [part_of(f"rig {i}") for i in range(400)]
    assert names.count("training") == pytest.approx(200, abs=30)


def test_packed_frames_come_back_as_they_were(frames, tmp_path):
    pack(frames, tmp_path / "sources.npz")
    for mine, back in zip(frames, unpack(tmp_path / "sources.npz"), strict=True):
        assert np.array_equal(mine.pixels, back.pixels)
        assert back.pixels.dtype == np.float32
        torch.testing.assert_close(mine.physical, back.physical, equal_nan=True)
        assert (mine.path, mine.group, mine.bayer) == (back.path, back.group, back.bayer)
        assert (mine.fwhm_px, mine.unsure) == (back.fwhm_px, back.unsure)
    first = next(grafted(frames, seed=1, count=4))
    again = next(grafted(unpack(tmp_path / "sources.npz"), seed=1, count=4))
    assert torch.equal(first.views.sky, again.views.sky)
    with pytest.raises(UsageError, match="not written over"):
        pack(frames, tmp_path / "sources.npz")


def is_short(row: torch.Tensor) -> bool:
    return float(row[INDEX["low_signal"]]) < FAULTS[INDEX["low_signal"]].counts_from


def test_runs_hold_the_source_and_as_many_faulty_frames(frames):
    samples = list(grafted(frames, seed=1, count=6 * RUN_FRAMES))
    assert [len(s) for s in samples] == [RUN_FRAMES] * 6
    for sample in samples:
        assert sample.context.shape == (RUN_FRAMES, len(CONTEXT))
        assert all(torch.isfinite(v).all() for v in vars(sample.views).values())
        targets = [
            [FAULTS[i].target(float(s)) for i, s in enumerate(row) if s == s]
            for row in sample.strength
        ]
        if not is_short(sample.strength[0]):
            assert sum(max(row) == 0 for row in targets) >= GOOD_FRAMES, "the source is clean"
        assert not torch.equal(sample.views.sky[0], sample.views.sky[1])
    assert {int(s.run[0]) for s in samples} == {0, 1, 2}
    again = next(grafted(frames, seed=1, count=6 * RUN_FRAMES))
    torch.testing.assert_close(again.strength, samples[0].strength, equal_nan=True)
    assert torch.equal(again.views.sky, samples[0].views.sky)
    other = next(grafted(frames, seed=2, count=6 * RUN_FRAMES))
    assert not torch.equal(other.views.sky, samples[0].views.sky)


def test_a_long_night_does_not_crowd_out_the_others(frames):
    night = [replace(frames[0], path=Path(f"{i}.fits"), group="night") for i in range(90)]
    other = [replace(frames[0], path=Path(f"{i}.fits"), group="other") for i in range(3)]
    both = night + other
    assert spread_out(both, 93) == both, "all of them, where there are runs enough"
    chosen = spread_out(both, 12)
    assert Counter(f.group for f in chosen) == {"night": 9, "other": 3}
    # Every tenth of 90, each from the middle of its tenth.
    assert [int(f.path.stem) for f in chosen if f.group == "night"] == list(range(5, 90, 10))
    assert Counter(f.group for f in spread_out(both, 2)) == {"night": 1, "other": 1}


def test_all_faults_are_dealt_equally_often(frames):
    deck = Deck(np.random.default_rng(1))
    mono = [k for k in KEYS if k not in OF_THE_RUN]
    assert Counter(deck.draw(mono) for _ in range(14 * 4)) == dict.fromkeys(mono, 4)
    # What one frame cannot have waits for the next that can.
    sky = ["trail", "clouds"]
    assert Counter(deck.draw(sky) for _ in range(4)) == dict.fromkeys(sky, 2)
    owed = Counter(deck.draw(mono) for _ in range(12 * 2))
    assert owed == dict.fromkeys((k for k in mono if k not in sky), 2)


def coloured(order: str) -> GoodFrame:
    levels = {"R": 300.0, "G": 500.0, "B": 200.0}
    pixels = sub(5, tuple(levels[c] for c in order)).astype(np.float32)
    physical = torch.full((9,), torch.nan)
    return GoodFrame(None, "x", pixels, physical, order, 3.0, frozenset())


@pytest.mark.parametrize("order", ["RGGB", "GBRG"])
def test_turned_windows_know_their_mosaic(order):
    turned = set()
    for seed in range(12):
        for window in turned_windows(coloured(order), np.random.default_rng(seed), 2):
            planes = [window.pixels[i::2, j::2] for i in (0, 1) for j in (0, 1)]
            levels = dict(zip(window.cfa, [np.median(p) - OFFSET for p in planes], strict=True))
            # 300, 500 and 200 e at 1.2 e/ADU.
            assert levels == pytest.approx({"R": 250, "G": 417, "B": 167}, abs=4)
            turned.add(window.cfa)
    assert turned == {"RGGB", "GRBG", "GBRG", "BGGR"}


def test_of_an_unsure_fault_nothing_is_said_unless_it_was_put_in_plainly(frames):
    frame = frames[0]
    doubtful = GoodFrame(
        frame.path, "x", frame.pixels, frame.physical, None, 3.0, frozenset({"drift", "gradient"})
    )
    rng = np.random.default_rng(1)
    source = source_of(doubtful)
    _, row = _faulty(doubtful, source, {"trail": draw_strength("trail", rng)}, rng)
    assert np.isnan(row[[INDEX["drift"], INDEX["gradient"]]]).all()
    assert row[INDEX["defocus"]] == 1
    wanted = [{"drift": draw_strength("drift", rng)} for _ in range(24)]
    said = [_faulty(doubtful, source, faults, rng)[1][INDEX["drift"]] for faults in wanted]
    known = [s for s in said if not np.isnan(s)]
    assert min(known) >= 1.25
    assert 0 < len(known) < 24


def test_shares_of_a_sky_of_unknown_level_count_only_when_plain(frames):
    """The header tells the gain, not the offset."""
    source = source_of(frames[0])
    assert not source.knows_sky
    rng = np.random.default_rng(1)
    wanted = [{"gradient": draw_strength("gradient", rng)} for _ in range(24)]
    said = [_faulty(frames[0], source, faults, rng)[1][INDEX["gradient"]] for faults in wanted]
    assert all(np.isnan(s) or s >= 15 for s in said)
    assert any(np.isnan(s) for s in said)


def test_subs_cut_short_make_a_run_of_their_own(frames):
    """Beside others of the full length they would seem to have lost light; here all of a run have
    one signal, and the good ones among them no other fault."""
    low, clouds = INDEX["low_signal"], INDEX["clouds"]
    samples = list(grafted(frames, seed=3, count=60 * RUN_FRAMES))
    short = [s for s in samples if s.strength[:, low].nan_to_num(1e9).max() < 1e3]
    # Each of some 13 faults has 4 of 8 frames in as many runs: one run in 26 is short throughout.
    assert 1 <= len(short) <= 8
    for sample in samples:
        rows = sample.strength
        assert len({is_short(row) for row in rows if not row[low].isnan()}) == 1
    for sample in short:
        assert (sample.strength[:, clouds] == 0).sum() >= GOOD_FRAMES - 1


def test_a_model_is_judged_on_grafts(folder, tmp_path):
    model = load_model(write_small_model(tmp_path / "small"))
    count = 6 * RUN_FRAMES
    figures = grafted_figures(model, folder, count, seed=1)
    assert figures["frames"] == count
    assert figures["sources"] == 6
    assert figures["runs"] == 3, "intervals resample the groups of sources"
    assert figures["clean_frames"] >= 6 * GOOD_FRAMES
    positives = {key: row["positives"] for key, row in figures["faults"].items()}
    assert positives["bayer_grid"] == 0
    assert set(figures["false_by_group"]) == {"a", "b", "c"}
    assert sum(positives.values()) >= count // 4


def test_real_frames_can_be_grafted(real_frames):
    frames, _ = good_frames(real_frames)
    names = {f.path.name for f in frames}
    assert {"solved.fits.fz", "a8280271.fits", "image.fits"} <= names
    assert not names & {"long.fits", "bias_0.fits", "PA_0001.fit", "vega_05sec.jpg"}
    small = [f for f in frames if f.pixels.size < 2e5]
    for sample in grafted(small, seed=1, count=8):
        assert all(torch.isfinite(v).all() for v in vars(sample.views).values())


def sky_noise(pixels: np.ndarray, far: np.ndarray) -> float:
    """Sigma from differences of pixels two apart, both far from stars, under four sigma."""
    steps = np.abs(pixels[:, 2:].astype(float) - pixels[:, :-2])[far[:, 2:] & far[:, :-2]]
    return float(np.sqrt((steps[steps < 6 * np.median(steps)] ** 2).mean() / 2))


@pytest.mark.parametrize(
    "name", ["science_0.fits", "aligned_eso085-030-004.fit", "cutout_frame-i-008108-5-0025.fits"]
)
def test_grafts_leave_the_noise_of_a_real_sky_as_it_was(name, real_frames):
    path = next(real_frames.glob(f"*/{name}"))
    read = read_frame(path)
    source = Source(read.pixels.astype(np.float32), 3.0, read.facts.gain_e_adu)
    flat = ndimage.gaussian_filter(source.pixels - smooth_sky(source.pixels.astype(float)), 1.5)
    bright = flat > 1.2 * source.noise_adu
    far = ~ndimage.binary_dilation(bright, iterations=6)
    before = sky_noise(source.pixels, far)
    for key, strength in (("drift", 1.5), ("defocus", 3.0), ("bloated_stars", 1.6)):
        after = graft(source, key, strength, np.random.default_rng(4)).pixels
        # 1e5 px and more: chance is 4 / sqrt(2e5) = 0.9 %. Cutting at four sigma and correlations
        # beyond 6 px are worth a percent each. It was 4 to 20 % before.
        assert sky_noise(after, far) == pytest.approx(before, rel=0.03), key


def test_false_labels_are_told_group_by_group(tmp_path):
    model = load_model(write_small_model(tmp_path / "small"))
    strength = np.array([[fault.clean_below for fault in FAULTS]] * 4, np.float32)
    strength[3, INDEX["trail"]] = 50
    logits = np.full((4, len(KEYS)), -9.0, np.float32)
    logits[0, INDEX["drift"]] = logits[3, INDEX["trail"]] = 9.0
    answers = Answers(np.zeros((4, 32)), logits, logits, strength, np.array([0, 0, 1, 1]))
    assert false_labels(model, answers, answers.run == 0) == {"drift": 0.5}
    # The trail is there: no false label.
    assert false_labels(model, answers, answers.run == 1) == {}
