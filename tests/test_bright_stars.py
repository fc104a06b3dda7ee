"""The table of bright stars against positions that others publish, and against the borders of
the constellations as astropy holds them."""

import warnings

import astropy.units as u
import numpy as np
import pytest
from astropy.coordinates import SkyCoord, get_constellation
from astropy.wcs import WCS

from classifier.bright_stars import bright_stars, stars_near, tangent_deg

# name, ICRS right ascension and declination at 2000.0 in degrees, V: from the star list of the
# library PyEphem 4.2.1 (Hipparcos catalogue, moved to 2000.0 by proper motion), every sixth.
PUBLISHED = [
    ("Acamar", 44.5653, -40.3047, 2.88),
    ("Albireo", 292.6803, 27.9597, 3.05),
    ("Alderamin", 319.6449, 62.5856, 2.45),
    ("Alioth", 193.5073, 55.9598, 1.76),
    ("Alphard", 141.8968, -8.6586, 1.99),
    ("Antares", 247.3519, -26.432, 1.06),
    ("Atria", 252.1662, -69.0277, 1.91),
    ("Caph", 2.2945, 59.1498, 2.28),
    ("Dubhe", 165.932, 61.751, 1.81),
    ("Fomalhaut", 344.4127, -29.6222, 1.17),
    ("Hamal", 31.7934, 23.4624, 2.01),
    ("Megrez", 183.8565, 57.0326, 3.32),
    ("Miaplacidus", 138.2999, -69.7172, 1.67),
    ("Mirzam", 95.6749, -17.9559, 1.98),
    ("Phecda", 178.4577, 53.6948, 2.41),
    ("Regulus", 152.093, 11.9672, 1.36),
    ("Sadr", 305.5571, 40.2567, 2.23),
    ("Sirius", 101.2872, -16.7161, -1.44),
    ("Taygeta", 56.3021, 24.4673, 4.3),
    ("Zaurak", 59.5074, -13.5085, 2.97),
]


@pytest.mark.parametrize("name, ra_deg, dec_deg, v_mag", PUBLISHED)
def test_star_stands_where_it_is_published(name, ra_deg, dec_deg, v_mag):
    star = next(star for star in bright_stars() if star.name == name)
    # The table is rounded to 0.001 degree.
    assert abs(star.ra_deg - ra_deg) <= 0.00056
    assert abs(star.dec_deg - dec_deg) <= 0.00056
    assert star.v_mag == pytest.approx(v_mag, abs=0.006)


def test_every_star_lies_in_the_constellation_of_its_designation():
    stars = bright_stars()
    sky = SkyCoord([s.ra_deg for s in stars] * u.deg, [s.dec_deg for s in stars] * u.deg)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        found = get_constellation(sky, short_name=True)
    named = [s.designation.split()[-1] for s in stars]
    odd = [
        star.designation
        for star, where, own in zip(stars, found, named, strict=True)
        if own not in (where, str(star.hip))
    ]
    # A few bear a number or letter of the neighbour that they had before the borders were drawn.
    assert len(odd) <= 4, odd


def test_counts_are_those_of_the_whole_sky():
    """Stars brighter than V 0.5, 1.5, 2.5: 9 or 10, 22, 93 (Allen's Astrophysical Quantities and
    printed lists agree within a few; from memory). The table is ordered and whole to its limit."""
    v = np.array([star.v_mag for star in bright_stars()])
    assert (np.diff(v) >= 0).all() and v[-1] == 4.5
    assert 8 <= (v < 0.5).sum() <= 11
    assert 20 <= (v < 1.5).sum() <= 24
    assert 85 <= (v < 2.5).sum() <= 100
    # Counts grow by a factor of 3 per magnitude or so; a hole in the table would show.
    assert 2.4 < (v < 4.5).sum() / (v < 3.5).sum() < 3.8
    assert len({star.hip for star in bright_stars()}) == len(v)


def test_stars_near_a_place():
    belt = stars_near(84.5, -1.2, 1.6)
    assert [star.name for star in belt[:2]] == ["Alnilam", "Alnitak"]
    assert all(star.v_mag <= 4.5 for star in belt)
    # Across 0 h and round the pole.
    assert "Caph" in [star.name for star in stars_near(359.0, 59.0, 3.0)]
    assert "Polaris" in [star.name for star in stars_near(200.0, 89.5, 1.5)]


@pytest.mark.parametrize("centre", [(83.0, -5.0), (0.5, 62.0), (200.0, 88.5), (300.0, -45.0)])
def test_plane_against_astropy(centre):
    wcs = WCS(naxis=2)
    wcs.wcs.ctype = ["RA---TAN", "DEC--TAN"]
    wcs.wcs.crval = centre
    wcs.wcs.crpix = [1.0, 1.0]
    wcs.wcs.cdelt = [1.0, 1.0]
    rng = np.random.default_rng(1)
    for _ in range(20):
        ra = (centre[0] + rng.uniform(-3, 3)) % 360
        dec = float(np.clip(centre[1] + rng.uniform(-3, 3), -89.9, 89.9))
        expected = wcs.wcs_world2pix([[ra, dec]], 0)[0]
        assert tangent_deg(ra, dec, *centre) == pytest.approx(tuple(expected), abs=1e-6)


def test_behind_the_observer_there_is_no_plane():
    assert tangent_deg(180.0, 0.0, 0.0, 0.0) is None


def test_titles():
    by_hip = {star.hip: star.title for star in bright_stars()}
    assert by_hip[26727] == "Alnitak (zeta Ori, V 1.7)"
    assert by_hip[4427] == "gamma Cas (V 2.1)"
