"""Stars of a field: densities by galactic latitude, clusters, empty fields, a ghost's own star."""

from dataclasses import replace

import numpy as np
import pytest

from synth import catalogue
from synth.catalogue import StarList
from synth.scene import draw_run


@pytest.fixture(scope="module")
def scene():
    return draw_run(8, 2, 1, 512, 384, cfa=False)[0]


def test_densities_lie_between_pole_and_milky_way():
    # Star counts of the plane exceed those of the pole about tenfold at 14 to 16 mag (Bahcall &
    # Soneira 1980, from memory), around a mean of 1 over the sky, with clouds of half a magnitude.
    rng = np.random.default_rng(1)
    drawn = np.array([catalogue._density(rng) for _ in range(3000)])
    low, high = np.quantile(drawn, (0.02, 0.98))
    assert 5 < high / low < 40
    assert 0.8 < np.median(drawn) < 2.5


def test_brightest_come_first(scene):
    assert (np.diff(scene.stars.flux_e) <= 0).all()


def test_a_globular_is_a_plummer_sphere_with_a_glow(scene):
    rng = np.random.default_rng(3)
    field = replace(scene.stars, **{k: v[:0] for k, v in vars(scene.stars).items()})
    stars, glow = catalogue.with_cluster(rng, field, scene, "globular")
    # Projected Plummer (1911): N(< r) = r^2 / (r^2 + a^2), so a quarter lies within a / sqrt 3 and
    # three quarters within a sqrt 3: the quartiles' ratio is 3, less the outer 3 % cut off.
    radius = np.hypot(stars.x_px - np.median(stars.x_px), stars.y_px - np.median(stars.y_px))
    inner, outer = np.quantile(radius, (0.25, 0.75))
    assert outer / inner == pytest.approx(3.0, rel=0.2)
    assert glow is not None
    assert glow.half_light_px == pytest.approx(np.median(radius), rel=0.05)
    assert 0 < glow.brightness <= 2


def test_an_open_cluster_adds_blue_stars_and_no_glow(scene):
    stars, glow = catalogue.with_cluster(np.random.default_rng(5), scene.stars, scene, "open")
    assert glow is None
    assert len(stars.flux_e) > len(scene.stars.flux_e)
    # Young clusters: turn-off bluer than the field's 0.6 to 1.1 of B - V.
    new = np.setdiff1d(stars.colour, scene.stars.colour)
    assert np.median(new) < 0.45


def test_a_dark_cloud_leaves_a_handful(scene, monkeypatch):
    monkeypatch.setattr(catalogue, "EMPTY_SHARE", 1.0)
    counts = [
        len(catalogue.draw_list(np.random.default_rng(seed), scene).flux_e) for seed in range(20)
    ]
    assert min(counts) >= 1 and max(counts) <= 15


def test_a_ghosts_star_is_made_bright_enough():
    stars = StarList(
        np.array([10.0, 50.0]), np.array([10.0, 50.0]), np.array([900.0, 100.0]), np.zeros(2)
    )
    brighter = catalogue.brightened(stars, 50.5, 49.0, 5000.0)
    assert brighter.flux_e.tolist() == [5000.0, 900.0]
    assert brighter.x_px.tolist() == [50.0, 10.0]
    assert catalogue.brightened(stars, 10.0, 10.0, 500.0).flux_e.tolist() == [900.0, 100.0]
    # A source outside the field is nobody in the list.
    assert catalogue.brightened(stars, 300.0, 10.0, 5000.0) is stars
    assert stars.flux_e.tolist() == [900.0, 100.0]
