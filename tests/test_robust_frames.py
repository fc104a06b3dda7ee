"""What real frames do to the measures: stars of any sampling, crowds, emptiness, edges, gaps,
turned and binned frames, colour mosaics, burnt-out stars.

Frames are drawn by GalSim (Rowe et al. 2015, A&C 10, 121), whose profiles, pixel integration and
half-light radii are the outside truth; noise is NumPy's.
"""

from functools import lru_cache

import galsim
import numpy as np
import pytest
import torch
from astropy.io import fits
from painted_sky import as_frame, grid_of_stars

from classifier.facts import Facts
from classifier.frame import read_frame
from classifier.measures import measure_frame
from classifier.views import make_views, physical_vector

SHAPE = (480, 640)
SKY, NOISE = 800.0, 8.0
SPOILING = ("defocus", "drift", "vibration", "guiding_loss", "miscollimation")
FACTS = {"offset_adu": 200.0, "gain_e_adu": 1.0, "read_noise_e": 3.0}


def draw(profile, places, fluxes, shape=SHAPE, half=24):
    """Light of one GalSim profile at (x, y) places, pixels integrated, no sky."""
    light = np.zeros(shape)
    for (x, y), flux in zip(places, fluxes, strict=True):
        column, row = round(x), round(y)
        bounds = galsim.BoundsI(-half, half, -half, half)
        stamp = galsim.Image(bounds, scale=1.0)
        offset = galsim.PositionD(x - column, y - row)
        (profile * float(flux)).drawImage(stamp, center=offset)
        top, left = row - half, column - half
        y0, y1 = max(top, 0), min(row + half + 1, shape[0])
        x0, x1 = max(left, 0), min(column + half + 1, shape[1])
        if y0 < y1 and x0 < x1:
            light[y0:y1, x0:x1] += stamp.array[y0 - top : y1 - top, x0 - left : x1 - left]
    return light


def exposed(light, seed=1, sky=SKY):
    return (light + sky + np.random.default_rng(seed).normal(0, NOISE, light.shape)).astype(
        np.float32
    )


def field(seed=2, count=90, shape=SHAPE, least=4000.0):
    """Places and fluxes of an everyday field, no star nearer than some 40 px to another."""
    places = grid_of_stars(shape, 48, seed, margin=30, jitter=9.0)[:count]
    fluxes = least * (1 + np.random.default_rng(seed).pareto(1.3, len(places))).clip(1, 30)
    return places, fluxes


def measured(light, seed=1, **facts):
    return measure_frame(as_frame(exposed(light, seed), **{**FACTS, **facts}))


def seen_width(profile, pixel=1.0):
    """FWHM in pixels of that size of the Gaussian that GalSim's adaptive moments fit to a star's
    pixels (Hirata & Seljak 2003, MNRAS 343, 459), which is what `fwhm_px` is defined by."""
    stamp = (profile * 1e5).drawImage(nx=129, ny=129, scale=pixel)
    return 2.354820 * galsim.hsm.FindAdaptiveMom(stamp).moments_sigma


def seen_half_light(profile):
    seen = galsim.Convolve(profile, galsim.Pixel(1.0))
    return seen.drawImage(nx=1200, ny=1200, scale=0.1, method="no_pixel").calculateHLR()


def faults(measures):
    """Faults that the measures say are there; of what is drawn here none is."""
    return {key: one.note for key, one in measures.evidence.items() if one.state == "yes"}


PROFILES = {
    "undersampled": galsim.Gaussian(fwhm=1.2),
    "usual": galsim.Moffat(beta=3.5, fwhm=3.0),
    "oversampled": galsim.Moffat(beta=4.0, fwhm=12.0, trunc=60),
}


@lru_cache(maxsize=len(PROFILES))
def frame_of(sampling):
    """Pixels and places of a field of one profile."""
    if sampling != "oversampled":
        places, fluxes = field()
        return exposed(draw(PROFILES[sampling], places, fluxes)), places
    shape = (600, 900)
    places = grid_of_stars(shape, 130, 2, margin=70, jitter=12.0)
    fluxes = np.random.default_rng(3).uniform(6e4, 4e5, len(places))
    return exposed(draw(PROFILES[sampling], places, fluxes, shape, half=56)), places


@pytest.mark.parametrize("sampling", PROFILES)
def test_any_sampling_gives_the_stars_and_their_width(sampling):
    pixels, places = frame_of(sampling)
    measures, profile = measure_frame(as_frame(pixels, **FACTS)), PROFILES[sampling]
    numbers = measures.numbers
    assert numbers["star_count"] == pytest.approx(len(places), rel=0.06)
    if sampling == "undersampled":  # too narrow for the fit; the pixel adds its variance, 1/12
        expected = np.sqrt(1.2**2 + 8 * np.log(2) / 12)
    else:
        expected = seen_width(profile)
    assert numbers["fwhm_px"] == pytest.approx(expected, rel=0.04)
    # What lies beyond six sigma is not counted as the star's: a Moffat's feet hold some percent.
    assert numbers["hfr_px"] == pytest.approx(seen_half_light(profile), rel=0.06)
    assert numbers["elongation"] < 1.06
    assert not faults(measures)


@pytest.mark.parametrize("sampling", PROFILES)
def test_any_sampling_fills_the_networks_sheet_with_stars(sampling):
    pixels, places = frame_of(sampling)
    views = make_views(torch.from_numpy(pixels)[None], physical_vector(Facts())[None])
    shown = views.sheet_facts[0, :, 4] > 0.5
    found = views.stars_px[0, shown, :2].numpy()
    assert len(found) >= min(64, 0.85 * len(places))
    apart = np.hypot(*(found[:, None] - places[None]).transpose(2, 0, 1)).min(1)
    # Wide stars are found on a grid of 8 px, narrow ones on one of 2 px.
    assert np.percentile(apart, 95) < (5.7 if sampling == "oversampled" else 1.5)


def cluster(seed=4, count=2500, core_px=30.0):
    """Places after King's law (1962, AJ 67, 471; from memory): density (1 + r^2 / c^2)^-1."""
    rng = np.random.default_rng(seed)
    reach = 8.0
    # The number inside r grows as ln(1 + r^2 / c^2).
    radius = core_px * np.sqrt(np.expm1(rng.uniform(0, np.log1p(reach**2), count)))
    turn = rng.uniform(0, 2 * np.pi, count)
    places = np.stack((320 + radius * np.cos(turn), 240 + radius * np.sin(turn)), 1)
    inside = (places > 3).all(1) & (places[:, 0] < 636) & (places[:, 1] < 476)
    return places[inside], 300 * (1 + rng.pareto(1.1, int(inside.sum()))).clip(1, 60)


def test_a_globular_cluster_is_no_fault():
    places, fluxes = field()
    profile = PROFILES["usual"]
    light = draw(profile, places, fluxes) + draw(profile, *cluster(), half=14)
    measures = measured(light)
    assert measures.numbers["fwhm_px"] == pytest.approx(seen_width(profile), rel=0.05)
    assert not faults(measures)


@pytest.mark.parametrize("count", [0, 1, 4])
def test_a_field_of_few_stars_or_none_says_so_and_invents_nothing(count):
    places, fluxes = field()
    measures = measured(draw(PROFILES["usual"], places[:count], fluxes[:count]))
    assert measures.numbers["star_count"] == count
    assert not faults(measures)
    if count == 0:
        assert np.isnan(measures.numbers["fwhm_px"])
        assert all(measures.evidence[key].state == "unknown" for key in SPOILING)


def test_stars_at_the_edge_are_counted_but_give_no_shape():
    """Cut stars are long and lopsided; those whose peak is the last row are not even counted."""
    rng = np.random.default_rng(6)
    along = np.arange(20, 610, 80.0)
    rims = [
        np.stack((along + 20 * row, np.full_like(along, y)), 1)
        for row, y in enumerate((-0.4, 1.6, 477.4, 479.4))
    ]
    edge = np.concatenate(rims) + rng.uniform(-0.4, 0.4, (4 * len(along), 2))
    places, fluxes = field()
    profile = PROFILES["usual"]
    whole = measured(draw(profile, places, fluxes))
    cut = measured(draw(profile, places, fluxes) + draw(profile, edge, np.full(len(edge), 2e4)))
    extra = cut.numbers["star_count"] - whole.numbers["star_count"]
    assert 0.4 * len(edge) < extra <= len(edge)
    for name in ("fwhm_px", "hfr_px", "elongation"):
        assert cut.numbers[name] == pytest.approx(whole.numbers[name], rel=0.02), name
    assert not faults(cut)


def test_gaps_of_nan_change_no_measure(tmp_path):
    places, fluxes = field()
    pixels = exposed(draw(PROFILES["usual"], places, fluxes))
    whole = measure_frame(as_frame(pixels, **FACTS))
    holed = pixels.copy()
    holed[100:130, 200:260] = np.nan
    holed[:, 401] = np.nan
    holed[np.random.default_rng(3).random(SHAPE) < 0.002] = np.nan
    fits.writeto(tmp_path / "holed.fits", holed)
    frame = read_frame(tmp_path / "holed.fits")
    assert np.isfinite(frame.pixels).all()
    found = measure_frame(as_frame(frame.pixels, **FACTS))
    for name in ("fwhm_px", "hfr_px", "sky_adu", "noise_adu"):
        assert found.numbers[name] == pytest.approx(whole.numbers[name], rel=0.02), name
    assert found.numbers["star_count"] == pytest.approx(whole.numbers["star_count"], rel=0.05)
    assert not faults(found)


TURNS = {
    "left to right": (lambda p: p[:, ::-1], -1),
    "upside down": (lambda p: p[::-1], -1),
    "half a turn": (lambda p: p[::-1, ::-1], 1),
}


@pytest.mark.parametrize("turn", TURNS)
def test_flipped_frames_measure_the_same(turn):
    change, sense = TURNS[turn]
    shear = galsim.Shear(g=0.12, beta=25 * galsim.degrees)
    places, fluxes = field()
    pixels = exposed(draw(PROFILES["usual"].shear(shear), places, fluxes))
    first = measure_frame(as_frame(pixels, **FACTS))
    other = measure_frame(as_frame(change(pixels), **FACTS))
    for name in ("star_count", "fwhm_px", "hfr_px", "elongation", "sky_adu", "noise_adu"):
        assert other.numbers[name] == pytest.approx(first.numbers[name], rel=0.02), name
    assert first.numbers["angle_deg"] == pytest.approx(25.0, abs=2.0)
    expected = (sense * 25.0) % 180
    assert other.numbers["angle_deg"] == pytest.approx(expected, abs=2.0)
    states = {key: evidence.state for key, evidence in first.evidence.items()}
    assert {key: evidence.state for key, evidence in other.evidence.items()} == states


def test_binned_frames_have_stars_of_half_the_pixels():
    shear = galsim.Shear(g=0.1, beta=0 * galsim.degrees)
    profile = galsim.Moffat(beta=3.5, fwhm=5.0).shear(shear)
    places, fluxes = field(least=9000.0)
    pixels = exposed(draw(profile, places, fluxes))
    added = pixels.reshape(240, 2, 320, 2).sum((1, 3))
    first = measure_frame(as_frame(pixels, **FACTS))
    binned = measure_frame(as_frame(added, **{**FACTS, "offset_adu": 800.0}))
    assert first.numbers["fwhm_px"] == pytest.approx(seen_width(profile), rel=0.03)
    assert binned.numbers["fwhm_px"] == pytest.approx(seen_width(profile, 2.0), rel=0.03)
    assert binned.numbers["star_count"] == pytest.approx(first.numbers["star_count"], rel=0.05)
    # A pixel rounds a star off a little: variance 4 / 12 instead of 1 / 12 px^2 beside 4.5.
    assert binned.numbers["elongation"] == pytest.approx(first.numbers["elongation"], rel=0.03)
    # Stars fill some 6 % of so small a frame's pixels.
    assert binned.numbers["noise_adu"] == pytest.approx(2 * NOISE, rel=0.06)
    assert not faults(binned)


def mosaic(light, shares=(0.6, 1.0, 0.7), skies=(500.0, 900.0, 650.0)):
    """Raw frame of an RGGB sensor: every pixel behind its own filter, nothing interpolated."""
    planes = [share * light + sky for share, sky in zip(shares, skies, strict=True)]
    raw = planes[1].copy()
    raw[0::2, 0::2] = planes[0][0::2, 0::2]
    raw[1::2, 1::2] = planes[2][1::2, 1::2]
    return raw


@pytest.mark.parametrize("told", ["RGGB", None])
@pytest.mark.parametrize("fwhm_px", [2.0, 3.5])
def test_a_colour_mosaic_is_no_fault_and_keeps_the_width(fwhm_px, told):
    profile = galsim.Moffat(beta=3.5, fwhm=fwhm_px)
    places, fluxes = field(least=9000.0)
    raw = exposed(mosaic(draw(profile, places, fluxes)), sky=0.0)
    measures = measure_frame(as_frame(raw, bayer=told, **FACTS))
    # The blur that takes the mosaic out is as wide as a star of 2 px, whose feet weigh more then.
    near = 0.1 if fwhm_px < 3 else 0.05
    assert measures.numbers["fwhm_px"] == pytest.approx(seen_width(profile), rel=near)
    assert measures.numbers["star_count"] == pytest.approx(len(places), rel=0.08)
    assert measures.evidence["bayer_grid"].state in (("no",) if told else ("no", "unknown"))
    assert not faults(measures)


def test_a_frame_of_burnt_out_stars_only_gives_no_shapes_and_no_fault():
    places, fluxes = field()
    light = draw(PROFILES["usual"], places, 60 * fluxes)
    pixels = exposed(light).clip(None, 6000.0)
    frame = as_frame(pixels, saturation_adu=6000.0, **FACTS)
    measures = measure_frame(frame)
    assert measures.numbers["star_count"] == pytest.approx(len(places), rel=0.1)
    assert not faults(measures)
    inferred = measure_frame(as_frame(pixels, **FACTS))
    assert not faults(inferred)
