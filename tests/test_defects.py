"""Defects of sensors: rates of cosmic rays, what stays through a run, what labels count."""

from dataclasses import replace

import numpy as np
import pytest
from frame_of_one_rig import SIDE, camera, expected, rig, scene

from synth import defects
from synth.strength import hot_percent

MANY = 400


def tracks(**changes) -> np.ndarray:
    """Number of cosmic-ray tracks in each of many frames; each track has its own charge."""
    frames = (scene(shift_px=(0.013 * i, 0.0), **changes) for i in range(MANY))
    return np.array([len(np.unique(defects.cosmic_rays(one)[1])) for one in frames])


def test_rate_of_cosmic_rays():
    # Some 1 per cm2 and minute through a flat detector at sea level (Review of Particle Physics,
    # chapter on cosmic rays, from memory). 4000 x 3000 px of 3.76 um are 1.697 cm2; for 300 s 8.48
    # tracks; 400 frames know the mean to 0.15, four sigma 0.6.
    counts = tracks(width_px=4000, height_px=3000, exposure_s=300.0)
    assert counts.mean() == pytest.approx(8.48, abs=0.6)
    # Poisson: the variance is the mean; known to sqrt(2 / 400) = 7 %, four sigma 28 %.
    assert counts.var() == pytest.approx(counts.mean(), rel=0.3)


def test_cosmic_rays_by_time_and_area():
    # Half the time is half as many; binned by two the same pixels cover four times the area.
    base = tracks(width_px=2000, height_px=2000, exposure_s=300.0).mean()
    short = tracks(width_px=2000, height_px=2000, exposure_s=150.0).mean()
    binned = tracks(
        width_px=1000, height_px=1000, exposure_s=300.0, rig=rig(camera=camera(binning=2))
    ).mean()
    # Means of 400 counts of 2.8: 3 %, ratios 5 %, four sigma 20 %.
    assert short / base == pytest.approx(0.5, rel=0.2)
    assert binned / base == pytest.approx(1.0, rel=0.2)


def test_hot_pixels_stay_and_rays_do_not():
    many = {"width_px": 1500, "height_px": 1500, "hot_share": 1e-3, "exposure_s": 600.0}
    one, other = scene(**many), scene(shift_px=(5.0, -3.0), **many)
    for kind in (defects.hot_pixels, defects.dead_pixels, defects.bad_columns):
        for mine, theirs in zip(kind(one), kind(other), strict=True):
            assert (mine == theirs).all()
    assert set(defects.cosmic_rays(one)[0]) != set(defects.cosmic_rays(other)[0])
    another = scene(**(many | {"field_seed": 4}))
    assert set(defects.hot_pixels(one)[0]) != set(defects.hot_pixels(another)[0])


def test_tail_of_the_hot_pixels():
    # 2.25 million pixels, a share of 1e-3 and a twelfth more for leaking neighbours: 2438,
    # sigma 49. Log-normal: median hot_e, sigma of the logarithm 0.7, each known to 1.5 %.
    one = scene(width_px=1500, height_px=1500, hot_share=1e-3, hot_e=3000.0)
    places, electrons = defects.hot_pixels(one)
    assert len(places) == pytest.approx(2438, abs=200)
    assert np.median(electrons) == pytest.approx(3000, rel=0.07)
    assert np.log(electrons).std() == pytest.approx(0.7, rel=0.06)


@pytest.mark.parametrize("share", [5e-4, 5e-3])
@pytest.mark.parametrize("over_sigma", [12.0, 60.0])
def test_label_counts_what_is_in_the_frame(share, over_sigma):
    # Per cent of pixels over 10 sigma of the median of their neighbours, counted in the rendered
    # light with nothing else in it: hot pixels seldom fall on each other (0.3 % of them).
    one = scene(width_px=600, height_px=600, hot_share=share)
    one = replace(one, hot_e=over_sigma * one.noise_e)
    light = expected(one)[0]
    counted = 100 * float((light > np.median(light) + 10 * one.noise_e).mean())
    assert hot_percent(one) == pytest.approx(counted, rel=0.02, abs=3e-4)
    assert counted > 0.02


def test_label_counts_bad_columns():
    # Counted as above, on the mean of many fields: a column is glaring or faint (half and half) and
    # starts anywhere. Two columns are no fault, so six count as four. Per column 0.375 of the
    # height, with a scatter of 0.43; 400 fields of six know it to 2.4 %, four sigma 10 %.
    counted, labelled = 0.0, 0.0
    for seed in range(400):
        one = scene(bad_columns=6, field_seed=seed, width_px=96, height_px=96)
        over = np.zeros(96 * 96)
        for place, charge in zip(*defects.bad_columns(one), strict=True):
            over[place] += charge
        counted += 100 * float((over > 10 * one.noise_e).mean()) * 4 / 6
        labelled += hot_percent(one)
    assert labelled == pytest.approx(counted, rel=0.1)


def test_dead_pixels_collect_nothing():
    one = scene(dead_share=1e-3)
    places, _ = defects.dead_pixels(one)
    assert len(places) == pytest.approx(SIDE**2 * 1e-3, abs=4 * np.sqrt(SIDE**2 * 1e-3))
    assert (expected(one)[0].ravel()[places] <= 0).all()
