"""A night's course of a run: the path of a field across the sky by astropy, and what follows."""

import astropy.units as u
import numpy as np
import pytest
from astropy.coordinates import AltAz, EarthLocation, SkyCoord
from astropy.time import Time

from classifier.vocabulary import INDEX
from synth.generate import draw_plan
from synth.rig import draw_rig
from synth.run_course import LATITUDE_DEG, LOWEST_DEG, draw_course, zenith_deg
from synth.scene import draw_run
from synth.strength import settle
from synth.weather import draw_air


@pytest.mark.parametrize("middle_deg", [5.0, 30.0, 55.0])
def test_the_field_moves_as_astropy_says(middle_deg):
    """From where it stands at hour 0 the same declination at the same latitude is followed."""
    hours = np.array([-3.0, -1.0, 0.0, 2.0])
    drawn = np.random.default_rng(7)
    latitude, azimuth = drawn.uniform(*LATITUDE_DEG), drawn.uniform(0, 2 * np.pi)
    here = EarthLocation(lat=latitude * u.deg, lon=10 * u.deg, height=0 * u.m)
    start = Time("2026-02-03T22:00:00")
    at_first = AltAz(obstime=start, location=here)
    field = SkyCoord(az=azimuth * u.rad, alt=(90 - middle_deg) * u.deg, frame=at_first).icrs
    then = AltAz(obstime=start + hours * u.hour, location=here)
    wanted = 90 - field.transform_to(then).alt.deg
    found = zenith_deg(np.random.default_rng(7), middle_deg, hours)
    assert found == pytest.approx(np.minimum(wanted, LOWEST_DEG), abs=0.02)


def test_lower_means_fainter_wider_and_brighter():
    """Over many runs: where the air is thicker by half an airmass, 0.06 to 0.18 mag are lost (0.12
    to 0.35 mag per airmass, common practice) and stars are wider by airmass^0.6."""
    rng = np.random.default_rng(3)
    lost, wider, longest = [], [], 0.0
    for _ in range(200):
        air = draw_air(rng, draw_rig(rng, cfa_share=0.0), 1000, 800)
        course = draw_course(rng, air, 8)
        dimmer, better = course.extinction_mag.argmax(), course.extinction_mag.argmin()
        longest = max(longest, float(np.ptp(course.extinction_mag)))
        if np.ptp(course.extinction_mag) > 0.1:
            lost.append(np.ptp(course.extinction_mag))
            wider.append(course.seeing_factor[dimmer] / course.seeing_factor[better])
    assert 0.15 < len(lost) / 200 < 0.6
    assert 0.3 < longest < 0.6
    assert 1.1 < np.median(wider) < 1.5


def test_clean_runs_of_a_long_night_carry_no_clouds_and_no_bloat():
    """The air's path is no cloud; of stars that it widens by a fifth nothing is taught."""
    widened = 0
    plan = draw_plan(11, 0, 160, 256, 256, faults=())
    strength = settle(plan.truth, "cpu")
    assert (strength[:, INDEX["clouds"]] == 0).all()
    bloat = strength[:, INDEX["bloated_stars"]]
    for scene, told in zip(plan.scenes, bloat, strict=True):
        is_wide = scene.seeing_factor >= 1.2
        widened += is_wide
        assert np.isnan(told) or not is_wide
    assert widened > 0


def test_a_run_is_the_same_again():
    first, again = (draw_run(2, 5, 8, 400, 300, False) for _ in range(2))
    assert [s.sky_mag for s in first] == [s.sky_mag for s in again]
    assert len({s.extinction_mag for s in first}) == 8
