"""Causes of trouble above the tube: seeing, dew, cloud, haze, Moon, lamps, satellites.

Each changes a `Course` in place and returns the numbers of the cause, units in their names.
"""

import numpy as np

from synth.night_course import Course, bouts, wander
from synth.night_pointing import Numbers
from synth.orbits import trail_surface_mag, zenith_rate_deg_s
from synth.photometry import flux_ratio, sky_e_s
from synth.rng import log_uniform
from synth.scene import Scene
from synth.streaks import trail_snr


def seeing(course: Course, rng: np.random.Generator) -> Numbers:
    """Spells of bad air that pass: wide round stars, nothing lost."""
    worst = rng.uniform(1.7, 2.4)
    spells = bouts(rng, course.hours, int(rng.integers(2, 4)), (0.5, 1.4))
    course.seeing = course.seeing * (1 + (worst - 1) * spells)
    course.mark("bloated_stars", spells > 0.08)
    return {"worst_width_ratio": worst}


def dew(course: Course, rng: np.random.Generator) -> Numbers:
    """Dew grows on the glass and does not go: haloes, softer stars, a little light lost."""
    begin, end_share = rng.uniform(0.25, 0.5), rng.uniform(0.4, 0.6)
    grown = np.clip((course.share - begin) / (1 - begin), 0, 1) ** 1.3
    course.halo_share = np.maximum(course.halo_share, end_share * grown)
    course.halo_px = float(course.base.good_fwhm_px * rng.uniform(2.0, 4.5))
    course.seeing = course.seeing * (1 + 0.35 * grown)
    course.dim_mag = course.dim_mag + 0.2 * grown
    course.mark("bloated_stars", grown > 0)
    return {"from_h": float(begin * course.hours[-1]), "halo_share_at_end": end_share}


def thin_cloud(course: Course, rng: np.random.Generator) -> Numbers:
    """Banks of cloud come and go: stars lost, sky up (or down where no light shines below)."""
    thickest = rng.uniform(0.6, 1.6)
    banks = bouts(rng, course.hours, int(rng.integers(2, 5)), (0.3, 1.0))
    rough = np.exp(0.35 * wander(rng, len(course), 0.4))
    cloud = np.clip(thickest * banks * rough, 0, 2.5)
    course.cloud_mag = np.maximum(course.cloud_mag, np.where(cloud > 0.03, cloud, 0.0))
    course.cloud_glow = float(log_uniform(rng, 0.3, 1.5))
    course.mark("clouds", course.cloud_mag > 0)
    return {"thickest_mag": float(cloud.max()), "glow_of_clear_sky": course.cloud_glow}


def haze(course: Course, rng: np.random.Generator) -> Numbers:
    """High haze thickens evenly: stars dimmer, faint haloes, the sky a little up, no texture."""
    most, begin = rng.uniform(0.45, 0.9), rng.uniform(0.1, 0.4)
    grown = 1 / (1 + np.exp(-(course.share - begin - 0.15) / 0.07))
    course.haze_mag = most * grown * np.exp(0.04 * wander(rng, len(course)))
    course.halo_share = np.maximum(course.halo_share, 0.1 * grown + course.halo_share)
    course.halo_px = float(course.base.good_fwhm_px * rng.uniform(3.0, 5.0))
    course.mark("clouds", course.haze_mag > 0.03)
    return {"most_mag": float(course.haze_mag.max())}


def moon(course: Course, rng: np.random.Generator) -> Numbers:
    """The Moon rises or sets during the session; the tube turns part of its light into a slope."""
    course.stray_share = float(rng.uniform(0.15, 0.45))
    up = np.array([m.moon_altitude_deg > 0 for m in course.session.moments])
    phase = course.session.moments[len(course) // 2].moon_phase_deg
    changed = int(np.flatnonzero(up != up[0])[0]) if (up != up[0]).any() else 0
    return {"at_sub": float(changed), "phase_deg": float(phase)}


def lamp(course: Course, rng: np.random.Generator) -> Numbers:
    """A neighbour's lamp: steep glow at the edge of the frame while it burns, gone when it is out.

    It shines into the tube from one place on the ground, so its side of the frame turns with the
    pointing, and it weakens as the tube turns away.
    """
    # A level lamp lights the tube that leans towards it: it stands where the target goes to.
    azimuths = np.unwrap(np.deg2rad([m.azimuth_deg for m in course.session.moments]))
    course.lamp_azimuth_deg = float(np.rad2deg(rng.uniform(azimuths.min(), azimuths.max())) % 360)
    begin = rng.uniform(0.0, 0.4)
    end = begin + rng.uniform(0.35, 0.6)
    burns = (course.share >= begin) & (course.share <= end)
    apart = np.abs((np.rad2deg(azimuths) - course.lamp_azimuth_deg + 180) % 360 - 180)
    seen = np.clip(np.cos(np.deg2rad(np.minimum(apart, 80.0))), 0.5, None)
    strength = rng.uniform(40, 110)
    course.lamp_pct = strength * seen * burns
    return {"strongest_pct": float(course.lamp_pct.max()), "azimuth_deg": course.lamp_azimuth_deg}


def town_glow(course: Course, rng: np.random.Generator) -> Numbers:
    """A town's light dome: strongest low down and towards its azimuth, so it grows as the target
    sinks that way."""
    last = course.session.moments[-1]
    course.town_azimuth_deg = float((last.azimuth_deg + rng.uniform(-25, 25)) % 360)
    strongest = rng.uniform(30, 70)
    glow = []
    for m in course.session.moments:
        apart = np.deg2rad(m.azimuth_deg - course.town_azimuth_deg)
        # Falls with height as a dome of 35 degrees and with azimuth as half a cosine.
        glow.append(np.exp(-m.altitude_deg / 35.0) * (0.35 + 0.65 * np.cos(apart / 2) ** 2))
    course.town_pct = strongest * np.array(glow) / max(glow)
    return {"strongest_pct": strongest, "azimuth_deg": course.town_azimuth_deg}


def satellites(course: Course, rng: np.random.Generator) -> Numbers:
    """Low orbits are sunlit for some hours after dusk and before dawn: trails crowd there."""
    down = -np.array([m.sun_altitude_deg for m in course.session.moments])
    # A body at 550 km overhead leaves the Sun's light once the Sun is 23 deg down; those seen
    # towards the Sun stay lit until about 35, higher orbits longer.
    chance = 0.85 * np.clip((38.0 - down) / 18.0, 0, 1)
    # A twilight in which hardly any passed has no such cause.
    for _ in range(40):
        hit = rng.random(len(course)) < chance
        if hit.sum() >= min(4, len(course)):
            break
    magnitudes = rng.uniform(*_SATELLITE_MAG, len(course))
    heights_km = [log_uniform(rng, *_SATELLITE_KM) for _ in magnitudes]
    strengths = [
        max(_FAINTEST_SNR, satellite_snr(course.base, *each))
        for each in zip(magnitudes, heights_km, strict=True)
    ]
    course.trail_snr = np.where(hit, strengths, course.trail_snr)
    return {
        "subs_hit": float((course.trail_snr > 0).sum()),
        "brightest_mag": float(magnitudes[hit].min(initial=_SATELLITE_MAG[1])),
    }


# Magnitudes and heights of satellites in low orbits (common practice); fainter trails than this
# S/N nobody asks about.
_SATELLITE_MAG, _SATELLITE_KM, _FAINTEST_SNR = (3.5, 8.0), (350.0, 1200.0), 10.0


def satellite_snr(scene: Scene, magnitude: float, height_km: float) -> float:
    """Matched-filter S/N of a satellite overhead whose trail is as long as the frame is wide."""
    rig, fwhm_px = scene.rig, scene.good_fwhm_px
    rate_arcsec_s = 3600.0 * zenith_rate_deg_s(height_km)
    # A Gaussian section holds as much light as an even one of 1.0645 FWHM.
    width_arcsec = 1.0645 * fwhm_px * rig.scale_arcsec
    surface = trail_surface_mag(magnitude, rate_arcsec_s, width_arcsec, scene.exposure_s)
    star20_e_s = rig.zero_point_e_s * flux_ratio(20.0)
    peak_e = sky_e_s(star20_e_s, surface, rig.scale_arcsec) * scene.exposure_s
    return trail_snr(peak_e, scene.noise_e, scene.width_px, fwhm_px / 2.3548)


def low_altitude(course: Course, rng: np.random.Generator) -> Numbers:
    """Nothing breaks, the target sinks: wider and dimmer stars, a brighter sky."""
    del rng
    return {"airmass_at_end": course.session.moments[-1].airmass}


def clear(course: Course, rng: np.random.Generator) -> Numbers:
    """A night without trouble, to try that none is found."""
    del course, rng
    return {}
