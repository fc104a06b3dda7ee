"""The rigs that are drawn cover what small telescopes and cameras come in."""

import numpy as np
import pytest

from synth.rig import CFA_ORDERS, LINE_WIDTH_NM, Rig, draw_rig
from synth.scene import draw_run


@pytest.fixture(scope="module")
def rigs() -> list[Rig]:
    rng = np.random.default_rng(4)
    return [draw_rig(rng) for _ in range(5000)]


@pytest.fixture(scope="module")
def telescopes(rigs) -> list[Rig]:
    """Without the few short lenses."""
    return [rig for rig in rigs if rig.telescope.focal_mm >= 135]


# Limits as photographers use them (common practice): none beyond, and both ends are reached: of
# 5,000 rigs some 50 lie beyond each of the inner numbers at least.
@pytest.mark.parametrize(
    ("name", "least", "low", "high", "most"),
    [
        ("scale_arcsec", 0.4, 0.5, 5.0, 8.0),
        ("focal_mm", 135.0, 180.0, 2200.0, 3000.0),
        ("focal_ratio", 1.8, 2.5, 12.0, 15.0),
        ("pixel_um", 2.0, 2.2, 8.0, 9.0),
    ],
)
def test_ranges_are_covered(telescopes, name, least, low, high, most):
    values = np.array(
        [
            getattr(owner, name)
            for rig in telescopes
            for owner in (rig, rig.telescope, rig.camera)
            if hasattr(owner, name)
        ]
    )
    assert len(values) == len(telescopes)
    # Rounding alone may pass a limit.
    assert values.min() >= least * (1 - 1e-9)
    assert values.max() <= most * (1 + 1e-9)
    assert (values < low).sum() > 40
    assert (values > high).sum() > 40


def test_short_lenses_are_few(rigs, telescopes):
    assert 0.02 < 1 - len(telescopes) / len(rigs) < 0.08
    assert max(rig.scale_arcsec for rig in rigs) <= 60.0


def test_kinds_of_telescopes_and_cameras(rigs):
    def share(mask) -> float:
        return float(np.mean([bool(mask(rig)) for rig in rigs]))

    # With and without obstruction, with and without vanes; every word length, mosaic and binning.
    assert 0.3 < share(lambda rig: rig.telescope.obstruction == 0) < 0.7
    assert share(lambda rig: rig.telescope.obstruction > 0 and rig.telescope.vanes == 0) > 0.05
    for vanes in (3, 4):
        assert share(lambda rig, n=vanes: rig.telescope.vanes == n) > 0.05
    for bits in (10, 12, 14, 16):
        assert share(lambda rig, n=bits: rig.camera.bits == n) > 0.02
    for cfa in (None, *CFA_ORDERS):
        assert share(lambda rig, n=cfa: rig.camera.cfa == n) > 0.05
    for binning in (1, 2, 3):
        assert share(lambda rig, n=binning: rig.camera.binning == n) > 0.01
    assert 0.05 < share(lambda rig: rig.camera.blooms) < 0.2


def test_narrow_filters_have_their_widths(rigs):
    lines = [rig for rig in rigs if rig.filter in ("Ha", "OIII", "SII")]
    widths = np.array([rig.band_nm for rig in lines])
    assert widths.min() >= LINE_WIDTH_NM[0]
    assert widths.max() <= LINE_WIDTH_NM[1]
    # Both ends are there, and no colour sensor has one: that would be the fault of the grid.
    assert np.percentile(widths, 5) < 3.6
    assert np.percentile(widths, 95) > 10.0
    assert all(rig.camera.cfa is None for rig in lines)


@pytest.mark.parametrize(("width_px", "height_px", "mpx"), [(1224, 816, 1), (9576, 6388, 61)])
def test_frames_from_one_to_sixty_one_megapixels_can_be_drawn(width_px, height_px, mpx):
    scene = draw_run(3, 1, 1, width_px, height_px, cfa=False)[0]
    assert scene.width_px * scene.height_px == pytest.approx(1e6 * mpx, rel=0.01)
    # The stars fill the frame: of a uniform spread each quarter holds a quarter.
    right, low = scene.stars.x_px > width_px / 2, scene.stars.y_px > height_px / 2
    for quarter in (right & low, right & ~low, ~right & low, ~right & ~low):
        assert quarter.mean() == pytest.approx(0.25, abs=0.12)


def test_a_larger_sensor_holds_more_stars():
    # Twice the sides of one rig under one sky: four times the stars, where the field is so rich
    # that its list is cut off at the faint end on small and large frames alike.
    few, many = (
        draw_run(3, 7, 1, 1536 * times, 1024 * times, cfa=False)[0].stars.flux_e for times in (1, 2)
    )
    assert len(few) == 1500
    assert len(many) == pytest.approx(4 * len(few), rel=0.05)
