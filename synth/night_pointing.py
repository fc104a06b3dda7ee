"""Causes of trouble in pointing: flexure, wind, polar and tracking error, vibration, guiding.

Each changes a `Course` in place and returns the numbers of the cause, units in their names.
Directions are in the sensor's frame, from x towards y, axes modulo 180 degrees.
"""

import numpy as np

from synth.night_course import Course, along, bouts, wander

Numbers = dict[str, float]


def east_deg(course: Course) -> float:
    """Direction of east (right ascension) in the sensor's frame before the flip, degrees."""
    return (180.0 - course.camera_deg) % 360.0


def flexure(course: Course, rng: np.random.Generator) -> Numbers:
    """Something between guide scope and camera gives way: steady, until the flip loads it anew."""
    elongation = rng.uniform(1.4, 2.2)
    angle, turn = rng.uniform(0, 180), rng.uniform(40, 140)
    slow = rng.uniform(-12, 12) * (course.share - 0.5)  # gravity's direction changes slowly
    angles = angle + slow + np.where(course.after_flip, turn, 0.0)
    factor = np.where(course.after_flip, rng.uniform(0.6, 1.3), 1.0)
    length = course.line_px(elongation) * factor * np.exp(0.06 * wander(rng, len(course)))
    course.drift_px += along(length, angles)
    course.mark("drift", np.ones(len(course), bool))
    return {
        "elongation": elongation,
        "angle_before_flip_deg": angle % 180,
        "angle_after_flip_deg": (angle + turn) % 180,
    }


def wind(course: Course, rng: np.random.Generator) -> Numbers:
    """Gusts push the tube to one side, more as the wind rises; the flip changes nothing."""
    elongation, angle = rng.uniform(1.7, 2.6), rng.uniform(0, 180)
    rising = 1 / (1 + np.exp(-(course.share - rng.uniform(0.25, 0.5)) / 0.08))
    # Gusts differ from sub to sub by a factor of two either way (common practice).
    strength = rising * np.clip(np.exp(rng.normal(-0.2, 0.5, len(course))), 0.35, 1.6)
    course.gust_px += along(course.line_px(elongation) * strength, angle)
    course.mark("drift", strength > 0.15)
    return {"elongation_of_strong_gusts": elongation, "angle_deg": angle}


def polar_misalignment(course: Course, rng: np.random.Generator) -> Numbers:
    """The field turns about the guide star, within subs and from sub to sub.

    With the polar axis off by p towards hour angle h, the field's position angle changes by
    p sin(H - h) / cos(dec): the rate is 15 deg/h p cos(H - h) / cos(dec).
    """
    session, base = course.session, course.base
    hour = np.deg2rad([m.hour_angle_deg for m in session.moments])
    toward = rng.uniform(-0.7, 0.7)
    # The guide scope points some frames away, so the whole field is drawn out, most at the far
    # side; the photographer centres the target anew, so from sub to sub it turns about itself.
    way, side = rng.uniform(0, 2 * np.pi), rng.uniform(2.0, 6.0)
    course.guide_star = (float(side * np.cos(way)), float(side * np.sin(way)))
    away = np.hypot(
        (1 + abs(course.guide_star[0])) * base.width_px / 2,
        (1 + abs(course.guide_star[1])) * base.height_px / 2,
    )
    elongation = rng.uniform(1.7, 2.5)
    smear_deg = np.rad2deg(course.line_px(elongation) / away)
    cos_dec = np.cos(np.deg2rad(session.dec_deg))
    exposure_h = base.exposure_s / 3600.0
    rate = np.cos(hour - toward) / cos_dec * np.deg2rad(15.0)  # per hour and unit of p
    error_deg = min(5.0, smear_deg / (np.abs(rate).max() * exposure_h))
    turn = error_deg * (np.sin(hour - toward) - np.sin(hour[0] - toward)) / cos_dec
    course.twist_deg = error_deg * rate * exposure_h
    course.turn_deg = turn
    course.mark("drift", np.ones(len(course), bool))
    return {
        "polar_error_deg": error_deg,
        "turned_over_night_deg": float(turn[-1]),
        "elongation_at_far_corner": elongation,
        "guide_star_x_half_frames": course.guide_star[0],
        "guide_star_y_half_frames": course.guide_star[1],
    }


def tracking_error(course: Course, rng: np.random.Generator) -> Numbers:
    """Right ascension runs unevenly, by the worm's period and by a wrong rate: where subs are
    shorter than the period good and bad ones alternate, else all are drawn out about alike."""
    elongation, period_s = rng.uniform(1.8, 2.6), rng.uniform(240, 900)
    begin, too_fast = rng.uniform(0, 2 * np.pi), rng.uniform(-0.5, 0.5)
    within_s = np.linspace(0.0, course.base.exposure_s, 65)
    phase = 2 * np.pi * (course.hours[:, None] * 3600.0 + within_s) / period_s + begin
    # Where the star stands, in units of the worm's greatest speed.
    place = np.sin(phase) * period_s / (2 * np.pi) + too_fast * within_s
    # A line as long has the same variance, L^2 / 12; the worst sub has the elongation drawn.
    spread = place.std(1)
    course.drift_px += along(course.line_px(elongation) * spread / spread.max(), east_deg(course))
    course.mark("drift", np.ones(len(course), bool))
    return {
        "elongation": elongation,
        "period_s": period_s,
        "ra_angle_deg": east_deg(course) % 180,
    }


def vibration(course: Course, rng: np.random.Generator) -> Numbers:
    """Something runs all night: a fan, a loose cable in the wind, a motor."""
    elongation, angle = rng.uniform(1.45, 2.1), rng.uniform(0, 180)
    size = course.shake_amplitude_px(elongation) * np.exp(0.1 * wander(rng, len(course)))
    course.shake_px += along(size, angle + rng.normal(0, 2, len(course)))
    course.mark("vibration", np.ones(len(course), bool))
    return {"elongation": elongation, "angle_deg": angle}


def vibration_bursts(course: Course, rng: np.random.Generator) -> Numbers:
    """Footsteps, a lorry, a door: single subs between good ones."""
    elongation, angle = rng.uniform(1.6, 2.4), rng.uniform(0, 180)
    number = max(2, round(rng.uniform(0.12, 0.3) * len(course)))
    hit = np.zeros(len(course), bool)
    hit[rng.choice(len(course), number, replace=False)] = True
    size = course.shake_amplitude_px(elongation) * rng.uniform(0.75, 1.3, len(course)) * hit
    course.shake_px += along(size, angle + rng.normal(0, 8, len(course)))
    course.mark("vibration", hit)
    return {"elongation": elongation, "angle_deg": angle, "subs_hit": float(number)}


def guiding_after_cloud(course: Course, rng: np.random.Generator) -> Numbers:
    """A thick cloud takes the guide star; the mount wanders until it is found again."""
    cloud = bouts(rng, course.hours, int(rng.integers(1, 4)), (0.4, 0.9))
    course.cloud_mag = np.maximum(course.cloud_mag, rng.uniform(1.2, 2.2) * cloud)
    course.mark("clouds", course.cloud_mag > 0.03)
    lost = course.cloud_mag > 0.5
    # The subs after the cloud suffer too: the star is found late.
    lost |= np.roll(lost, 1) & (np.arange(len(course)) > 0)
    course.lost_fwhm = np.where(lost, rng.uniform(2.5, 7.0, len(course)), course.lost_fwhm)
    course.lost_deg = np.where(rng.random(len(course)) < 0.5, 0.0, 90.0) + east_deg(course)
    course.mark("guiding_loss", lost)
    return {"clouds_mag": float(course.cloud_mag.max()), "subs_lost": float(lost.sum())}


def guide_calibration(course: Course, rng: np.random.Generator) -> Numbers:
    """After the flip the guider corrects the wrong way: every sub from there on is lost."""
    from_sub = course.flip if course.flip is not None else 0
    lost = np.arange(len(course)) >= from_sub
    path = rng.uniform(2.5, 5.0) * np.exp(0.2 * wander(rng, len(course)))
    course.lost_fwhm = np.where(lost, path, course.lost_fwhm)
    # Declination is the axis whose sign a flip turns over.
    course.lost_deg = np.full(len(course), east_deg(course) + 90.0)
    course.mark("guiding_loss", lost)
    return {"from_sub": float(from_sub), "path_in_widths": float(path.mean())}
