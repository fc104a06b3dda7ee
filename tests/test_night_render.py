"""Rendered nights: geometry against astropy, causes as they should show, files made again."""

import json
from dataclasses import replace
from datetime import timedelta
from itertools import pairwise

import numpy as np
import pytest
import sep
import torch
from astropy.coordinates import AltAz, EarthLocation, SkyCoord, get_body
from astropy.io import fits
from astropy.time import Time
from astropy.utils import iers
from astropy.wcs import WCS
from typer.testing import CliRunner

from classifier.cli import app
from classifier.errors import UsageError
from classifier.frame import read_frame
from classifier.runs import run_key
from classifier.vocabulary import KEYS
from synth import ephemeris, night_files, night_sky
from synth.again import render_again
from synth.expose import expected_electrons
from synth.files import read_truth
from synth.generate import render_scenes
from synth.night import CAUSES, draw_night
from synth.plan import plan
from synth.render import render
from synth.starlight import zone_waves

SIZE = {"width_px": 256, "height_px": 256}


@pytest.fixture(autouse=True)
def _no_download():
    with iers.conf.set_temp("auto_download", False):
        yield


def night(cause, count=8, seed=3, **changes):
    return draw_night(seed, cause, count, **(SIZE | changes))


def axis_apart_deg(a, b):
    """Angle between two axes, 0 to 90."""
    return abs((np.asarray(a) - b + 90) % 180 - 90)


def place(session):
    site = session.site
    return EarthLocation.from_geodetic(site.longitude_deg, site.latitude_deg, site.height_m)


def test_sun_moon_and_target_stand_where_astropy_puts_them():
    drawn = night("moonrise")
    session, where = drawn.session, place(drawn.session)
    exposure_s = drawn.subs[0].scene.exposure_s
    for moment in session.moments[::3]:
        at = Time(moment.begin + timedelta(seconds=exposure_s / 2))
        frame = AltAz(obstime=at, location=where)
        target = SkyCoord(session.ra_deg, session.dec_deg, unit="deg").transform_to(frame)
        # Nutation and aberration (0.01 deg) and the first-order precession are left out.
        assert moment.altitude_deg == pytest.approx(target.alt.deg, abs=0.05)
        assert axis_apart_deg(moment.azimuth_deg, target.az.deg) < 0.15
        moon = get_body("moon", at, where).transform_to(frame)
        # The short series is good to 0.3 deg in longitude and 0.2 in latitude; the mean
        # parallax adds 0.05.
        assert moment.moon_altitude_deg == pytest.approx(moon.alt.deg, abs=0.55)
        assert moment.moon_separation_deg == pytest.approx(moon.separation(target).deg, abs=1.2)
        sun = get_body("sun", at, where).transform_to(frame)
        assert moment.sun_altitude_deg == pytest.approx(sun.alt.deg, abs=0.05)
        # Geometric airmass differs from Pickering's by less than 1 % over 30 deg of altitude.
        assert moment.airmass == pytest.approx(float(target.secz), rel=0.01)
        zenith = SkyCoord(0, 90, unit="deg", frame=frame).transform_to("icrs")
        own = SkyCoord(session.ra_deg, session.dec_deg, unit="deg")
        angle = own.position_angle(SkyCoord(zenith.ra, zenith.dec)).deg
        # Precession of 26 years turns north by up to 0.15 deg / cos(dec) here.
        off = (moment.zenith_angle_deg - angle + 180) % 360 - 180
        assert abs(off) < 1.0


def test_place_and_horizontal_are_inverse():
    days = 9_400.3
    ra, dec = ephemeris.place_deg(35.0, 210.0, days, 48.0, 11.0)
    assert ephemeris.horizontal_deg(ra, dec, days, 48.0, 11.0) == pytest.approx((35.0, 210.0))


def test_site_in_the_header_is_that_of_the_ellipsoid():
    expected = EarthLocation.from_geodetic(11.2, 48.5, 620.0)
    x, y, z = (coordinate.to_value("m") for coordinate in expected.geocentric)
    assert night_files.geocentric_m(48.5, 11.2, 620.0) == pytest.approx([x, y, z], abs=0.01)


def test_stars_keep_their_place_on_the_sky_through_flip_turn_and_dither():
    drawn = night(("polar_misalignment", "wind"), 6)
    assert drawn.session.flip is not None
    assert abs(drawn.subs[-1].pose.turn_deg) > 0.5
    spots = []
    for sub in drawn.subs:
        header = fits.Header()
        for key, value, _ in night_files._sky_cards(drawn, sub):
            header[key] = value
        stars, (dx, dy) = sub.scene.stars, sub.scene.shift_px
        spots.append(WCS(header).pixel_to_world(stars.x_px + dx, stars.y_px + dy))
    pixel = drawn.subs[0].scene.rig.scale_arcsec
    for spot in spots[1:]:
        # CRPIX is rounded to 0.001 px, CRVAL to 0.004 arcsec; the tangent plane adds nothing
        # as all subs share one tangent point.
        assert spot.separation(spots[0]).arcsec.max() < 0.02 * pixel


def test_field_turns_as_a_tilted_polar_axis_turns_it():
    drawn = night("polar_misalignment", 6)
    numbers = drawn.causes[0].numbers
    hours = [moment.hour_angle_deg for moment in drawn.session.moments]
    turn = np.array([sub.pose.turn_deg for sub in drawn.subs])
    # On the sphere: the camera keeps its angle to the mount's pole, which lies p from the true
    # one towards hour angle h. Places in (hour angle, declination); h is not told, so the best
    # of a fine grid has to fit.
    error, dec = numbers["polar_error_deg"], drawn.session.dec_deg
    misfits = []
    for h in np.arange(0, 360, 2.0):
        angle = np.array([ephemeris.position_angle_deg(hour, dec, h, 90 - error) for hour in hours])
        seen = (angle - angle[0] + 180) % 360 - 180
        misfits += [np.abs(seen - turn).max(), np.abs(seen + turn).max()]
    # First order in p: second-order terms are p^2 tan(dec) / 2, under 0.25 deg for p = 5 deg.
    assert np.ptp(turn) > 1.0
    assert min(misfits) < 0.1 * np.ptp(turn) + 0.25


@pytest.mark.parametrize("cause", CAUSES)
def test_every_cause_makes_a_night(cause):
    drawn = night(cause, 5, seed=11)
    assert [true.name for true in drawn.causes] == [cause]
    assert len(drawn.subs) == 5
    begins = [sub.moment.begin for sub in drawn.subs]
    gaps = [(late - early).total_seconds() for early, late in pairwise(begins)]
    assert min(gaps) > drawn.subs[0].scene.exposure_s
    for sub in drawn.subs:
        assert sub.moment.sun_altitude_deg < -13.5
        assert sub.moment.altitude_deg > 11.5
        assert np.isfinite(sub.scene.sky_mag) and set(sub.scene.recipe) <= set(KEYS)


def test_causes_are_named_in_the_guide_for_users(root):
    text = (root / "README.md").read_text(encoding="utf-8")
    assert [cause for cause in CAUSES if f"`{cause}`" not in text] == []


def test_flexure_changes_at_the_flip_and_wind_does_not():
    for cause in ("flexure", "wind"):
        drawn = night(cause, 10, seed=5)
        flip = drawn.session.flip
        numbers = drawn.causes[0].numbers
        smears = [np.linalg.eigh(np.cov(sub.scene.path.T)) for sub in drawn.subs]
        lengths = np.array([np.sqrt(values[1]) for values, _ in smears])
        angles = np.array([np.rad2deg(np.arctan2(v[1, 1], v[0, 1])) % 180 for _, v in smears])
        if cause == "flexure":
            # Gravity's own turning is at most 6 deg to either side.
            assert (axis_apart_deg(angles[:flip], numbers["angle_before_flip_deg"]) < 7).all()
            assert (axis_apart_deg(angles[flip:], numbers["angle_after_flip_deg"]) < 7).all()
            assert (lengths / lengths.mean() > 0.4).all()
        else:
            assert (axis_apart_deg(angles, numbers["angle_deg"]) < 1).all()
            assert lengths[-4:].max() > 2 * lengths[:2].max()  # the wind rises


def test_rendered_drift_lies_along_the_true_angle():
    drawn = draw_night(5, "flexure", 2, 640, 512)
    sub = drawn.subs[0]
    pixels = render_scenes([sub.scene], 5, 0).pixels[0].double().numpy()
    sky = sep.Background(pixels)
    stars = sep.extract(pixels - sky, 8.0, err=sky.globalrms)
    stars = stars[(stars["flag"] == 0) & (stars["npix"] > 12)]
    assert len(stars) >= 3
    # sep's angle is from x towards y, radians; brightness-weighted mean of the axes.
    angle = np.rad2deg(np.angle((stars["flux"] * np.exp(2j * stars["theta"])).sum()) / 2)
    wanted = drawn.causes[0].numbers["angle_before_flip_deg"]
    # 6 deg of gravity's turning and as much from noise and neighbours.
    assert axis_apart_deg(angle, wanted) < 12


def test_focus_follows_the_falling_temperature():
    drawn = night("focus_temperature", 12)
    numbers = drawn.causes[0].numbers
    focus = np.array([sub.focus_um for sub in drawn.subs])
    warm = np.array([sub.ambient_c for sub in drawn.subs])
    hours = drawn.session.hours
    every_h = numbers["refocused_every_h"] or 99.0
    first = hours < every_h
    slope = np.polyfit(warm[first], focus[first], 1)[0]
    assert slope == pytest.approx(numbers["slope_um_per_deg"], rel=1e-6)


def test_tracking_error_lies_along_right_ascension():
    drawn = night("tracking_error", 6)
    for i, sub in enumerate(drawn.subs):
        header = fits.Header()
        for key, value, _ in night_files._sky_cards(drawn, sub):
            header[key] = value
        step = sub.scene.path[-1] - sub.scene.path[0]
        if np.hypot(*step) < 0.2:
            continue
        from_px = np.array(sub.pose.crpix) - 1
        one, two = WCS(header).pixel_to_world(*np.stack((from_px, from_px + step), 1))
        # The step is long against rounding of the coordinates: a degree is 2 % of 1 px.
        assert axis_apart_deg(one.position_angle(two).deg, 90.0) < 1.0, i


def test_moonrise_lifts_the_sky_when_the_moon_is_up():
    drawn = night("moonrise", 12)
    level = np.array([10 ** (-0.4 * sub.scene.sky_mag) for sub in drawn.subs])
    moon = np.array([sub.moment.moon_altitude_deg for sub in drawn.subs])
    assert (moon[0] < 0) and (moon[-1] > 10)
    air = np.array([1 + 0.35 * (sub.moment.airmass - 1) for sub in drawn.subs])
    excess = level / air / (level / air)[moon < -1].mean()
    assert excess[moon < -1] == pytest.approx(1.0, abs=0.01)
    assert (excess[moon > 8] > 1.05).all()


def test_lamp_stays_on_the_ground_while_the_field_turns():
    drawn = night("lamp", 10)
    lit = [sub for sub in drawn.subs if sub.scene.strength["gradient"] > 20]
    assert 2 <= len(lit) <= 8
    azimuth = drawn.causes[0].numbers["azimuth_deg"]
    where = place(drawn.session)
    for sub in lit:
        at = Time(sub.moment.begin)
        frame = AltAz(obstime=at, location=where)
        target = SkyCoord(drawn.session.ra_deg, drawn.session.dec_deg, unit="deg")
        light = SkyCoord(azimuth, 2.0, unit="deg", frame=frame).transform_to("icrs")
        angle = np.deg2rad(target.position_angle(SkyCoord(light.ra, light.dec)).deg)
        (a, b), (c, d) = sub.pose.cd_deg
        px = np.linalg.solve([[a, b], [c, d]], [np.sin(angle), np.cos(angle)])
        off = np.rad2deg(np.arctan2(px[1], px[0])) - sub.scene.gradient.angle_deg
        # Aberration of the light and precession of the target: well under a degree.
        assert abs((off + 180) % 360 - 180) < 1.0


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_ghosts_move_with_their_star(seed):
    drawn = night(("ghost", "wind"), 6, seed=seed)
    mirrored = drawn.causes[0].numbers["mirrored"]
    stars = np.array([sub.scene.reflection.source_px for sub in drawn.subs])
    ghosts = np.array(
        [(g.x_px, g.y_px) for g in (sub.scene.reflection.ghosts[0] for sub in drawn.subs)]
    )
    assert np.ptp(stars, axis=0).min() > 3  # dither and flip
    for sub, star in zip(drawn.subs, stars, strict=True):
        light, shift = sub.scene.stars, sub.scene.shift_px
        away = np.hypot(light.x_px + shift[0] - star[0], light.y_px + shift[1] - star[1])
        assert mirrored or away.min() < 0.01  # a mirrored one may be lit from outside
    moved, by = ghosts - ghosts[0], stars - stars[0]
    factor = (moved * by).sum() / (by**2).sum()
    assert moved == pytest.approx(factor * by, abs=0.01)
    # A window's ghost keeps its distance; one of a curved surface goes its own way.
    assert factor == pytest.approx(1.0, abs=1e-6) or mirrored


def test_satellites_crowd_at_dusk_and_dawn():
    hits, down = [], []
    for seed in range(6):
        drawn = draw_night(seed, "satellites", 30, **SIZE)
        hits += ["trail" in sub.scene.recipe for sub in drawn.subs]
        down += [-sub.moment.sun_altitude_deg for sub in drawn.subs]
    hits, down = np.array(hits), np.array(down)
    assert (down < 20).sum() > 10 and (down > 38).sum() > 10
    # 0.85 near dusk, 0.04 in deep night; binomial scatter of 10 draws is 0.11 and 0.06.
    assert hits[down < 20].mean() > 0.5
    assert hits[down > 38].mean() < 0.25


def test_field_coma_is_nothing_on_the_axis_and_dust_stays_on_the_sensor():
    scene = night("field_coma", 2).subs[0].scene
    assert zone_waves(scene, 0, 0) == pytest.approx(np.array(scene.waves))
    assert np.abs(zone_waves(scene, 1, 1) - zone_waves(scene, 0, 0)).max() > 0.1
    motes = {sub.scene.dust for sub in night("dust", 6).subs}
    assert len(motes) == 1


def test_dew_only_grows_and_seeing_comes_back():
    halo = [sub.scene.halo_share for sub in night("dew", 14).subs]
    assert all(late >= early for early, late in pairwise(halo))
    assert halo[-1] > 0.3 > 0.1 > halo[0]
    wide = [sub.scene.seeing_factor for sub in night("seeing", 30).subs]
    worst = int(np.argmax(wide))
    assert max(wide) > 1.5 and min(wide[worst:]) < 1.25


def test_airmass_widens_and_dims_but_is_no_fault():
    drawn = night("low_altitude", 8)
    first, last = drawn.subs[0], drawn.subs[-1]
    assert last.moment.airmass > 2.2
    ratio = last.scene.rig.seeing_arcsec / first.scene.rig.seeing_arcsec
    # Kolmogorov: width as airmass^0.6.
    assert ratio == pytest.approx((last.moment.airmass / first.moment.airmass) ** 0.6, rel=1e-6)
    loss = last.scene.extinction_mag - first.scene.extinction_mag
    k_mag = night_sky.extinction_mag(first.scene.rig.filter)
    assert loss == pytest.approx(k_mag * (last.moment.airmass - first.moment.airmass), rel=1e-6)
    assert "bloated_stars" not in last.scene.recipe


def test_causes_that_exclude_each_other_are_refused():
    with pytest.raises(UsageError, match="'rain' is no cause"):
        night("rain")
    with pytest.raises(UsageError, match="cannot share a night"):
        night(("moonrise", "moonset"))
    assert len({draw_night(seed, "random", 2, **SIZE).causes[0].name for seed in range(8)}) > 3


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    out = tmp_path_factory.mktemp("night") / "subs"
    arguments = f"render --night thin_cloud --night dust --frames 4 --seed 11 --out {out}"
    run = CliRunner().invoke(app, [*arguments.split(), "--width", "256", "--height", "256"])
    assert run.exit_code == 0, run.output
    return out


def test_night_on_disk(folder):
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    assert [cause["name"] for cause in truth["causes"]] == ["thin_cloud", "dust"]
    rows = read_truth(folder)
    paths = sorted(folder.glob("*.fits"))
    assert [row["file"] for row in rows] == [path.name for path in paths]
    frames = [read_frame(path) for path in paths]
    assert len({run_key(frame.facts, frame.pixels.shape) for frame in frames}) == 1
    for frame, sub, row in zip(frames, truth["subs"], rows, strict=True):
        assert frame.facts.altitude_deg == pytest.approx(sub["altitude_deg"], abs=0.01)
        assert frame.facts.latitude_deg == pytest.approx(truth["site"]["latitude_deg"], abs=1e-3)
        assert frame.facts.time_utc.isoformat()[:19] == sub["begin"][:19]
        assert sub["labels"] == row["labels"].split()
        assert "dust_motes" in sub["strength"]
        header = fits.getheader(folder / row["file"])
        assert header["PIERSIDE"] == ("WEST" if sub["hour_angle_deg"] < 0 else "EAST")


def test_a_sub_is_made_again_from_its_header(folder, tmp_path):
    path = sorted(folder.glob("*.fits"))[2]
    render_again(path, tmp_path / "again.fits")
    assert (tmp_path / "again.fits").read_bytes() == path.read_bytes()
    single = render(tmp_path / "subs", 3, None, 256, 256, seed=4, batch_frames=2)[1]
    render_again(single, tmp_path / "single.fits")
    assert (tmp_path / "single.fits").read_bytes() == single.read_bytes()


def test_files_of_other_versions_or_origin_are_refused(folder, tmp_path):
    path = sorted(folder.glob("*.fits"))[0]
    data, header = fits.getdata(path, header=True)
    header["NCVERS"] = "0.0.1"
    fits.writeto(tmp_path / "old.fits", data, header)
    with pytest.raises(UsageError, match=r"rendered by nightcull 0\.0\.1"):
        render_again(tmp_path / "old.fits", tmp_path / "copy.fits")
    fits.writeto(tmp_path / "other.fits", data)
    with pytest.raises(UsageError, match="does not say how it was rendered"):
        render_again(tmp_path / "other.fits", tmp_path / "copy.fits")


@pytest.mark.skipif(not torch.cuda.is_available(), reason="needs a CUDA device")
def test_light_before_noise_agrees_between_cpu_and_gpu():
    scenes = [sub.scene for sub in draw_night(2, ("thin_cloud", "ghost"), 3, 384, 256).subs]
    cpu = expected_electrons(plan(scenes), "cpu")
    gpu = expected_electrons(plan(scenes), "cuda").cpu()
    # float32 transforms are good to some 1e-6 of a star's whole light, and stars of 1e4 times a
    # pixel's light share it; sums come in another order.
    torch.testing.assert_close(gpu, cpu, rtol=1e-4, atol=0.02)


@pytest.mark.parametrize("apart_deg", [15.0, 40.0, 60.0, 89.0, 120.0])
def test_moonlit_sky_rises_towards_the_moon_as_published(apart_deg):
    # Krisciunas & Schaefer 1991, eqs. 16, 21, typed anew and differentiated by hand: the scattering
    # function f = 10^5.36 (1.06 + cos^2 rho) + 10^(6.15 - rho/40) is all that changes with the
    # angle from the Moon at one altitude. A step of a degree: 1 % of the slope near the Moon.
    moment = replace(
        night("clear", 2).session.moments[0],
        moon_altitude_deg=40.0,
        moon_separation_deg=apart_deg,
        moon_phase_deg=20.0,
    )
    rho = np.deg2rad(apart_deg)
    level = 10**5.36 * (1.06 + np.cos(rho) ** 2) + 10 ** (6.15 - apart_deg / 40)
    fall = 10**5.36 * np.sin(2 * rho) * np.deg2rad(1.0)
    fall += np.log(10) / 40 * 10 ** (6.15 - apart_deg / 40)
    moonlight = night_sky.moonlight_nl(moment)
    for rest_nl in (0.0, 3 * moonlight):
        wanted = fall / level * moonlight / (moonlight + rest_nl)
        got = night_sky.moon_slope(moment, rest_nl)
        assert got == pytest.approx(wanted, rel=0.012, abs=1e-5)
    # 1.7 % a degree at 60; beyond a right angle the sky is brighter away from the Moon.
    assert (wanted > 0) == (apart_deg < 95)
    below = replace(moment, moon_altitude_deg=-1.0)
    assert night_sky.moon_slope(below, 80.0) == 0.0
