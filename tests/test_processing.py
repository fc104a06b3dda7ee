"""What files do to frames: checked by closed forms, an independent picture coder and scipy."""

import io
from dataclasses import replace

import numpy as np
import pytest
import torch
from PIL import Image
from scipy.ndimage import convolve, map_coordinates

from synth import pictures, processing
from synth.generate import render_scenes
from synth.processing import is_lost
from synth.scene import Scene, draw_run

SIZE = 192


def plain_scene(kind: str, cfa: bool = False, **changes: object) -> Scene:
    """A frame of nothing but sky, whose file was treated as told."""
    scene = draw_run(5, 3, 1, SIZE, SIZE, cfa)[0]
    empty = replace(scene.stars, **{k: v[:0] for k, v in vars(scene.stars).items()})
    values = {
        "processing": kind, "stars": empty, "gradient": None, "nebula": None, "galaxies": None,
        "edges": None, "amp_glow": None, "hot_share": 0.0, "warm_share": 0.0, "dead_share": 0.0,
        "bad_columns": 0, "row_noise_e": 0.0, "column_noise_e": 0.0, "smear_share": 0.0,
        "vignetting": None, "flat": None, "exposure_s": 10.0, "temperature_c": -20.0,
        "plane_response": (1.0, 1.0, 1.0, 1.0),
        "rig": replace(scene.rig, sky_mag=19.0, band_nm=280.0, wavelength_nm=550.0, filter="L"),
    }  # fmt: skip
    scene = replace(scene, **(values | changes))
    camera = replace(
        scene.rig.camera, gain_e_adu=1.0, read_noise_e=5.0, offset_adu=500.0, bits=16, dark_e_s=0.0
    )
    scene = replace(scene, rig=replace(scene.rig, camera=camera))
    # 1,000 electrons of sky.
    return replace(scene, exposure_s=10.0 * 1000 / scene.sky_e)


def file_of(scene: Scene) -> tuple[np.ndarray, dict[str, float]]:
    batch = render_scenes([scene], 1, 0)
    return batch.pixels[0].numpy(), {k: float(v[0]) for k, v in batch.physical.items()}


def test_a_raw_file_is_sky_and_offset():
    # 1,000 e over an offset of 500; variance 1000 + 25 + 1/12, one sigma of a mean is 0.17.
    pixels, _ = file_of(plain_scene("raw"))
    assert pixels.mean() == pytest.approx(1500, abs=2.5)
    # The response of pixels differs by up to 1 %, which adds up to 100: -2 % to +13 %.
    assert 1005 < pixels.var() < 1160


def test_twelve_bits_written_into_sixteen():
    scene = plain_scene("shifted")
    camera = replace(scene.rig.camera, bits=12)
    pixels, facts = file_of(replace(scene, rig=replace(scene.rig, camera=camera)))
    assert (np.mod(pixels, 16) == 0).all()
    assert pixels.mean() == pytest.approx(16 * 1500, rel=0.002)
    assert facts["gain_e_adu"] == pytest.approx(1 / 16)
    assert facts["offset_adu"] == pytest.approx(16 * 500)


def test_dark_subtracted_keeps_what_the_facts_say():
    pixels, facts = file_of(plain_scene("dark_subtracted"))
    assert pixels.mean() - facts["offset_adu"] == pytest.approx(1000, abs=2.5)


def test_a_flat_makes_the_sky_even_and_the_corners_noisier():
    from synth.shading import draw_vignetting

    shade = draw_vignetting(np.random.default_rng(1), 60.0, SIZE, SIZE)
    scene = plain_scene("flat_fielded", vignetting=shade, flat=shade)
    seeds = [s for s in range(20) if processing.flat_fit(replace(scene, field_seed=s))[0] == 1]
    assert 8 <= len(seeds) <= 18  # a third of the flats do not fit
    scene = replace(scene, field_seed=seeds[0])
    pixels, facts = file_of(scene)
    flat = processing.flat_of(scene, "cpu").numpy()
    sky = pixels - facts["offset_adu"]
    dark, light = flat < 0.55, flat > 0.95
    assert dark.sum() > 1000 and light.sum() > 1000
    # 1,000 e in the centre; sigma of the mean of 1,000 pixels of 1,000 e at t = 0.5: 1.5.
    assert sky[light].mean() == pytest.approx(1000, abs=8)
    assert sky[dark].mean() == pytest.approx(1000, abs=8)
    # Photon variance t x 1000 and read noise divided by t^2 (and up to 10 % of a master's noise,
    # up to 1 % of response): 1000 / t + 25 / t^2.
    t = float(flat[dark].mean())
    expected = 1000 / t + 25 / t**2
    assert 0.93 * expected < sky[dark].var() < 1.2 * expected


def test_a_flat_that_does_not_fit_leaves_its_share_of_the_shade():
    from synth.shading import draw_vignetting

    shade = draw_vignetting(np.random.default_rng(1), 30.0, SIZE, SIZE)
    plain = plain_scene("flat_fielded", vignetting=shade, flat=shade)
    scenes = [replace(plain, field_seed=seed) for seed in range(30)]
    scene = max(scenes, key=lambda s: processing.flat_fit(s)[0])
    fit, noise = processing.flat_fit(scene)
    assert fit > 1.15 and 1e-3 <= noise <= 4.5e-3
    pixels, facts = file_of(scene)
    sky = pixels - facts["offset_adu"]
    flat = processing.flat_of(scene, "cpu").numpy()
    dark, light = flat < 0.8, flat > 0.97
    # Transmission t over t^fit: corners come out brighter than the middle.
    wanted = (flat[dark] ** (1 - fit)).mean() / (flat[light] ** (1 - fit)).mean()
    assert wanted > 1.02
    assert sky[dark].mean() / sky[light].mean() == pytest.approx(wanted, abs=0.006)


def test_a_mosaic_that_the_file_does_not_name():
    scene = plain_scene("unnamed", cfa=True, plane_response=(0.5, 1.0, 1.0, 0.7))
    pixels, facts = file_of(scene)
    assert facts["is_cfa"] == 0
    levels = [pixels[i::2, j::2].mean() - 500 for i in (0, 1) for j in (0, 1)]
    assert max(levels) / min(levels) == pytest.approx(2.0, rel=0.03)
    assert is_lost(scene, "bayer_grid", 0.05)


def test_a_reduced_file_lies_about_zero():
    pixels, facts = file_of(plain_scene("sky_subtracted"))
    assert abs(np.median(pixels)) < 0.1 * pixels.std()
    assert 0.45 < (pixels < 0).mean() < 0.55
    assert np.isnan(facts["offset_adu"]) and np.isnan(facts["saturation_adu"])


def test_alignment_correlates_neighbours():
    # A shift by (a, b) of a pixel leaves ((1-a)^2 + a^2) ((1-b)^2 + b^2) of the variance.
    for seed in range(20):
        scene = replace(plain_scene("aligned"), field_seed=seed)
        rng = processing.stream(scene.field_seed, "file")
        a, b = rng.uniform(0.1, 0.9, 2)
        if rng.random() < 0.5:  # shifted only
            break
    expected = ((1 - a) ** 2 + a**2) * ((1 - b) ** 2 + b**2)
    inner = (slice(40, -40), slice(40, -40))  # beyond the empty border
    aligned = file_of(scene)[0][inner]
    raw = file_of(replace(scene, processing="raw"))[0][inner]
    # Variances of 12,500 pixels, neighbours correlated: about 2 % each.
    assert aligned.var() / raw.var() == pytest.approx(expected, rel=0.08)


@pytest.mark.parametrize("kind", ["eight_bit", "picture"])
def test_pictures_hold_whole_numbers_up_to_255_and_forget_their_facts(kind):
    pixels, facts = file_of(plain_scene(kind))
    assert (np.mod(pixels, 1) == 0).all()
    assert pixels.min() >= 0 and pixels.max() <= 255
    assert 0 < np.median(pixels) < 200
    assert all(np.isnan(facts[name]) for name in ("gain_e_adu", "offset_adu", "read_noise_e"))


@pytest.mark.parametrize("quality", [55, 75, 90, 96])
def test_block_coder_against_an_independent_one(quality):
    # Pillow's baseline coder uses the same table and scaling of ITU-T T.81; it rounds pixels to
    # whole numbers and its integer transform is off by up to one step here and there.
    rng = np.random.default_rng(2)
    y, x = np.mgrid[:64, :80]
    picture = 60 + 0.5 * x + 120 * np.exp(-((x - 40) ** 2 + (y - 30) ** 2) / 20)
    picture = (picture + rng.normal(0, 6, picture.shape)).round().clip(0, 255)
    buffer = io.BytesIO()
    Image.fromarray(picture.astype(np.uint8)).save(buffer, "JPEG", quality=quality)
    theirs = np.asarray(Image.open(buffer)).astype(float)
    ours = pictures.compressed(torch.from_numpy(picture).float(), quality)
    ours = ours.round().clamp(0, 255).numpy()
    away = np.abs(ours - theirs)
    # Coefficients half-way between two steps may be rounded either way by either coder.
    assert np.quantile(away, 0.95) <= 1
    assert away.mean() < 0.15 * np.abs(picture - theirs).mean() + 0.3


def test_the_coder_pads_odd_sizes():
    picture = torch.full((13, 21), 77.0)
    assert torch.allclose(pictures.compressed(picture, 90), picture, atol=1.0)


@pytest.mark.parametrize("cfa", ["RGGB", "BGGR", "GRBG", "GBRG"])
def test_interpolated_colour_against_scipy(cfa):
    rng = np.random.default_rng(4)
    mosaic = rng.uniform(0, 100, (16, 18))
    tent = np.array([[1, 2, 1], [2, 4, 2], [1, 2, 1]]) / 4
    cross = np.array([[0, 1, 0], [1, 4, 1], [0, 1, 0]]) / 4
    planes = []
    for colour in "RGB":
        place = np.tile(np.array([c == colour for c in cfa]).reshape(2, 2), (8, 9))
        planes.append(convolve(mosaic * place, cross if colour == "G" else tent, mode="mirror"))
    pixels = torch.from_numpy(mosaic).float()
    np.testing.assert_allclose(processing.luminance(pixels, cfa), np.mean(planes, 0), atol=1e-3)
    # As a GPU does it.
    as_sums = processing.mean_colour(pixels[None, :15, :17], cfa)[0]
    odd = processing.luminance(pixels[:15, :17], cfa)
    np.testing.assert_allclose(as_sums, odd, rtol=1e-6)


@pytest.mark.parametrize("kind", [*processing.KINDS, "interpolated", "unnamed"])
def test_frames_of_a_run_treated_together_are_as_each_alone(kind):
    cfa = kind in ("interpolated", "unnamed")
    scenes = [replace(s, processing=kind) for s in draw_run(3, 0, 3, 64, 48, cfa)]
    scenes.append(replace(scenes[0], processing="raw"))
    pixels = 500 + 100 * torch.rand(4, 48, 64, generator=torch.Generator().manual_seed(2))
    names = "gain_e_adu", "read_noise_e", "offset_adu", "saturation_adu", "is_cfa"
    together = {name: torch.full((4,), 2.0) for name in names}
    whole = processing.process(pixels.clone(), scenes, together)
    for i, scene in enumerate(scenes):
        facts = {name: torch.full((1,), 2.0) for name in names}
        alone = processing.process(pixels[i : i + 1].clone(), [scene], facts)
        assert torch.equal(alone[0], whole[i])
        for name in names:
            assert torch.equal(facts[name].nan_to_num(-7), together[name][i : i + 1].nan_to_num(-7))
    assert torch.equal(whole[3], pixels[3])


def test_what_a_file_hides_is_not_taught():
    raw, reduced = plain_scene("raw"), plain_scene("sky_subtracted")
    assert not is_lost(raw, "gradient", 40.0)
    assert is_lost(reduced, "gradient", 40.0)
    assert not is_lost(reduced, "gradient", 2.0)
    assert not is_lost(reduced, "trail", 100.0)


def test_a_black_point_in_the_sky_feigns_a_gradient():
    # Two thirds of the sky cut away triple every percentage.
    scenes = [replace(plain_scene("eight_bit"), field_seed=seed) for seed in range(40)]
    gains = np.array([pictures.contrast(scene) for scene in scenes])
    assert (gains > 1.5).any() and (gains < 1.1).any()
    high = scenes[int(np.abs(gains - 3).argmin())]
    assert is_lost(high, "gradient", 7.4)
    assert not is_lost(high, "gradient", 0.5)


def test_a_run_is_treated_alike():
    batch = render_scenes([plain_scene("normalised")] * 2, 3, 0)
    assert batch.physical["gain_e_adu"][0] == batch.physical["gain_e_adu"][1]


def test_unknown_processing_is_refused():
    with pytest.raises(ValueError, match="processing 'baked' is unknown"):
        file_of(plain_scene("baked"))


def test_a_turned_frame_against_scipy():
    picture = np.random.default_rng(5).normal(size=(40, 52))
    found = processing.turned(torch.from_numpy(picture)[None].float(), 1.5, 0.3, 0.6, "bilinear")
    y, x = np.mgrid[:40, :52].astype(float)
    y, x = y - 19.5, x - 25.5
    angle = 3.0 / np.hypot(40, 52)
    places = (
        np.sin(angle) * x + np.cos(angle) * y - 0.6 + 19.5,
        np.cos(angle) * x - np.sin(angle) * y - 0.3 + 25.5,
    )
    wanted = map_coordinates(picture, places, order=1, mode="nearest")
    np.testing.assert_allclose(found[0], wanted, atol=1e-4)


def test_a_mesh_takes_the_slope_and_leaves_a_moat():
    y, x = np.mgrid[:120, :180].astype(np.float32)
    plane = torch.from_numpy(100 + 0.2 * x - 0.1 * y)[None]
    left = (plane - processing.mesh_sky(plane, 6))[0].numpy()
    # Straight lines between the cells' middles are the plane itself; beyond the outermost they stay
    # level over half a cell of 20 px. Of an even number torch takes the lower median: half a step
    # of 0.1 too low.
    assert np.abs(left[10:-10, 10:-10] - 0.05).max() < 0.001
    glow = torch.from_numpy(50 * np.exp(-((x - 90) ** 2 + (y - 60) ** 2) / (2 * 12**2)))[None]
    left = (glow - processing.mesh_sky(glow, 6))[0].numpy()
    assert left[60, 90] > 3
    assert left[60, [60, 65, 115, 120]].min() < -1


def test_what_a_mesh_hides_is_not_taught():
    plain = plain_scene("sky_subtracted")
    scenes = [replace(plain, field_seed=seed) for seed in range(12)]
    lost = {processing._mesh_cells(s) is not None: is_lost(s, "clouds", 2.0) for s in scenes}
    assert lost == {True: True, False: False}
