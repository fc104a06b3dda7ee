"""Whose light strays into a frame: places against astropy's celestial coordinates, recentring by
moving those coordinates, ghosts by the closed form of a double reflection."""

import re

import astropy.units as u
import numpy as np
import pytest
from astropy.coordinates import SkyCoord
from astropy.wcs import WCS

from classifier.bright_stars import bright_stars
from classifier.facts import Facts, facts_from_header
from classifier.stray_light import Field, freeing_shift, ghost_text, glare_text

SIZE = (1000, 1500)  # height, width
SCALE_ARCSEC = 4.0
ALNITAK = next(star for star in bright_stars() if star.name == "Alnitak")
NO_STARS = np.zeros((0, 3))


def solution(centre, camera_deg, mirrored) -> WCS:
    """+y at position angle `camera_deg`, the reference point in the middle of the frame."""
    step, turn = SCALE_ARCSEC / 3600, np.deg2rad(camera_deg)
    up = np.array([np.sin(turn), np.cos(turn)]) * step  # east, north of one pixel along +y
    right = np.array([-np.cos(turn), np.sin(turn)]) * step * (-1 if mirrored else 1)
    wcs = WCS(naxis=2)
    wcs.wcs.ctype = ["RA---TAN", "DEC--TAN"]
    wcs.wcs.crval = centre
    wcs.wcs.crpix = [(SIZE[1] + 1) / 2, (SIZE[0] + 1) / 2]
    wcs.wcs.cd = np.stack((right, up), 1)
    return wcs


def facts(centre, camera_deg=None, mirrored=False) -> Facts:
    return Facts(
        ra_deg=centre[0],
        dec_deg=centre[1],
        wcs_scale_arcsec=SCALE_ARCSEC,
        camera_deg=camera_deg,
        mirrored=None if camera_deg is None else mirrored,
    )


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("camera_deg", [0.0, 37.0, 200.0])
def test_star_lands_where_astropy_puts_it(camera_deg, mirrored):
    centre = (84.7, -1.6)
    field = Field.of(facts(centre, camera_deg, mirrored), SIZE)
    wcs = solution(centre, camera_deg, mirrored)
    for star in bright_stars()[20:40]:
        if np.hypot(star.ra_deg - centre[0], star.dec_deg - centre[1]) > 6:
            continue
        x, y = wcs.wcs_world2pix([[star.ra_deg, star.dec_deg]], 0)[0]
        assert field.place_px(star) == pytest.approx(field.from_middle(x, y), abs=0.01)
    assert field.place_px(ALNITAK) is not None


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("camera_deg", [0.0, 100.0, 305.0])
@pytest.mark.parametrize("shift", [(300.0, 0.0), (0.0, -200.0), (-100.0, 170.0)])
def test_way_is_the_direction_on_the_sky(camera_deg, mirrored, shift):
    centre = (120.0, 25.0)
    wcs = solution(centre, camera_deg, mirrored)
    x, y = (SIZE[1] - 1) / 2 + shift[0], (SIZE[0] - 1) / 2 + shift[1]
    there = SkyCoord(*wcs.wcs_pix2world([[x, y]], 0)[0] * u.deg)
    here = SkyCoord(centre[0] * u.deg, centre[1] * u.deg)
    told = Field.of(facts(centre, camera_deg, mirrored), SIZE).way(shift)
    arcmin, angle = map(int, re.findall(r"(\d+) arcmin.*angle (\d+)", told)[0])
    assert arcmin == pytest.approx(here.separation(there).arcmin, abs=0.6)
    expected = here.position_angle(there).deg
    assert abs((angle - expected + 180) % 360 - 180) < 1.0  # rounding, and the curve of the sky


def placed(centre, camera_deg, mirrored, k, radius_px=60.0):
    """A ghost opposite to Alnitak, k times as far out: disc and its place from the middle."""
    field = Field.of(facts(centre, camera_deg, mirrored), SIZE)
    x, y = field.place_px(ALNITAK)
    ghost = (-k * x, -k * y)
    disc = [ghost[0] + (SIZE[1] - 1) / 2, ghost[1] + (SIZE[0] - 1) / 2, radius_px]
    return field, (x, y), ghost, disc


@pytest.mark.parametrize("k", [0.6, 1.0, 1.7])
@pytest.mark.parametrize("camera_deg, mirrored", [(10.0, False), (250.0, True)])
def test_ghost_opposite_names_its_star_and_the_recentring_frees_the_frame(k, camera_deg, mirrored):
    centre = (85.45, -2.05)  # Alnitak 17 arcmin from the middle
    field, star, ghost, disc = placed(centre, camera_deg, mirrored, k)
    told = ghost_text(facts(centre, camera_deg, mirrored), SIZE, [disc], NO_STARS)
    assert "opposite to Alnitak (zeta Ori, V 1.7)" in told and "double reflection" in told
    assert f"{k:.2g} times as far out" in told

    shift = freeing_shift(ghost, 60.0, star, "opposite", field)
    # Point the telescope there by astropy and look where star and ghost then lie.
    before = solution(centre, camera_deg, mirrored)
    for part, is_free in ((1.02, True), (0.9, False)):
        at = (SIZE[1] - 1) / 2 + part * shift[0], (SIZE[0] - 1) / 2 + part * shift[1]
        moved = tuple(before.wcs_pix2world([at], 0)[0])
        x, y = Field.of(facts(moved, camera_deg, mirrored), SIZE).place_px(ALNITAK)
        beyond = max(k * abs(x) - SIZE[1] / 2, k * abs(y) - SIZE[0] / 2)
        assert (beyond >= 60.0) is is_free


def test_ghost_beside_moves_with_its_star():
    centre = (85.45, -2.05)
    field, star, _, _ = placed(centre, 0.0, False, 1.0)
    disc = [star[0] + 40 + (SIZE[1] - 1) / 2, star[1] + (SIZE[0] - 1) / 2, 50.0]
    told = ghost_text(facts(centre, 0.0), SIZE, [disc], NO_STARS)
    assert "beside or round Alnitak" in told and "moves with it" in told
    shift = freeing_shift((star[0] + 40, star[1]), 50.0, star, "beside", field)
    left = np.abs(np.array((star[0] + 40, star[1])) - shift)
    assert left[0] == pytest.approx(SIZE[1] / 2 + 50) or left[1] == pytest.approx(SIZE[0] / 2 + 50)


def test_star_outside_may_be_the_source():
    # 33 arcmin beyond the right edge of a frame 100 arcmin wide, at its middle height.
    centre = (ALNITAK.ra_deg, ALNITAK.dec_deg - 83 / 60)
    field = Field.of(facts(centre, 270.0), SIZE)
    x, y = field.place_px(ALNITAK)
    assert field.outside_px((x, y)) == pytest.approx(33 * 60 / SCALE_ARCSEC, rel=0.02)
    side = np.degrees(np.arctan2(y, x))
    told = glare_text(facts(centre, 270.0), SIZE, side + 12)
    assert "points to Alnitak (zeta Ori, V 1.7), 83 arcmin from the middle" in told
    assert "33 arcmin outside the frame" in told and "33 arcmin to the south" in told
    assert glare_text(facts(centre, 270.0), SIZE, side + 90) is None
    ghost = [(SIZE[1] - 1) / 2 - 0.3 * x, (SIZE[0] - 1) / 2 - 0.3 * y, 60.0]
    assert "opposite to Alnitak" in ghost_text(facts(centre, 270.0), SIZE, [ghost], NO_STARS)


def test_without_the_turn_only_the_distance_is_told():
    centre = (85.45, -2.05)
    *_, disc = placed(centre, 0.0, False, 1.0)
    told = ghost_text(facts(centre), SIZE, [disc], NO_STARS)
    apart = SkyCoord(*[c * u.deg for c in centre]).separation(
        SkyCoord(ALNITAK.ra_deg * u.deg, ALNITAK.dec_deg * u.deg)
    )
    assert f"Alnitak (zeta Ori, V 1.7), {apart.arcmin:.0f} arcmin from the middle" in told
    assert "does not say how the camera is turned" in told and "opposite" not in told
    assert "arcmin to the" not in told


def test_a_label_without_a_place_names_the_likeliest_star():
    centre = (85.45, -2.05)
    told = ghost_text(facts(centre, 0.0), SIZE, [], NO_STARS)
    assert told.startswith("No place of a ghost was measured") and "Alnitak" in told
    # A ghost that was measured and fits no star is blamed on none.
    x, y = Field.of(facts(centre, 0.0), SIZE).place_px(ALNITAK)
    aside = [(SIZE[1] - 1) / 2 + 2 * y, (SIZE[0] - 1) / 2 - 2 * x, 20.0]
    assert ghost_text(facts(centre, 0.0), SIZE, [aside], NO_STARS) is None


def test_star_of_the_picture_serves_where_no_named_one_fits():
    glaring = np.array([[1100.0, 300.0, 1e6], [200.0, 200.0, 9e5]])
    place = glaring[0, :2] - ((SIZE[1] - 1) / 2, (SIZE[0] - 1) / 2)
    ghost = [*(-0.8 * place + ((SIZE[1] - 1) / 2, (SIZE[0] - 1) / 2)), 50.0]
    told = ghost_text(Facts(), SIZE, [ghost], glaring)
    assert "opposite to the bright star at (1100, 300)" in told and "0.8 times" in told
    # -0.8 (place - d) reaches the edge of 500 + 50 px below at d = 487.5 px along y.
    assert "487 px towards" in told or "488 px towards" in told
    assert "+y" in told.split("towards")[1][:4]


@pytest.mark.parametrize(
    "known",
    [
        Facts(),
        Facts(ra_deg=85.0, dec_deg=-2.0),  # no scale
        Facts(ra_deg=190.0, dec_deg=40.0, wcs_scale_arcsec=1.0, camera_deg=0.0, mirrored=False),
    ],
)
def test_nothing_is_told_where_nothing_is_known(known):
    assert ghost_text(known, SIZE, [[100.0, 100.0, 40.0]], NO_STARS) is None
    assert ghost_text(known, SIZE, [], NO_STARS) is None
    assert glare_text(known, SIZE, 30.0) is None


def test_the_middle_comes_from_the_solution_and_not_from_the_mount():
    """Reference point in a corner, pointing reported a degree off."""
    wcs = solution((84.0, -1.0), 37.0, False)
    wcs.wcs.crpix = [100.0, 80.0]
    header = wcs.to_header()
    header["RA"], header["DEC"] = 85.0, -1.0
    found = facts_from_header(header, SIZE)
    expected = wcs.wcs_pix2world([[(SIZE[1] - 1) / 2, (SIZE[0] - 1) / 2]], 0)[0]
    assert (found.middle_ra_deg, found.middle_dec_deg) == pytest.approx(tuple(expected), abs=1e-6)
    assert found.ra_deg == 85.0  # as the telescope reports it
    x, y = wcs.wcs_world2pix([[ALNITAK.ra_deg, ALNITAK.dec_deg]], 0)[0]
    field = Field.of(found, SIZE)
    assert field.place_px(ALNITAK) == pytest.approx(field.from_middle(x, y), abs=2)  # curvature
    assert facts_from_header({"RA": 85.0, "DEC": -1.0}, SIZE).middle_ra_deg is None
