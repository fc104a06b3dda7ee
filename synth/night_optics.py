"""Causes of trouble in tube and camera: focus, collimation, tilt, dust, hot pixels, a cable.

Each changes a `Course` in place and returns the numbers of the cause, units in their names.
"""

from dataclasses import replace

import numpy as np

from classifier.vocabulary import INDEX
from synth import catalogue, recipes, reflection_draw
from synth.night_course import Course
from synth.night_pointing import Numbers
from synth.reflections import gap_mm, reflectance_product, window_mm
from synth.rng import log_uniform
from synth.scene import Scene
from synth.shading import dust_distance_mm, mote_depth
from synth.spike_strength import off_vanes_deg, plan_spikes, spike_strengths
from synth.strength import prepare, seen_reflection_pct

# Subs whose focus widens the half-flux radius by less are not called defocused.
_SOFT = 1.08


def _refocus(course: Course, slope_um_c: float, every_h: float) -> None:
    """Let focus run with temperature since the last time it was set."""
    last = np.floor(course.hours / every_h) * every_h
    set_at = np.searchsorted(course.hours, last - 1e-6)
    course.focus_um += slope_um_c * (course.ambient_c - course.ambient_c[set_at])


def _mark_soft(course: Course) -> None:
    course.mark("defocus", np.abs(course.focus_um) > course.focus_error_um(_SOFT))


def focus_temperature(course: Course, rng: np.random.Generator) -> Numbers:
    """The tube shrinks as it cools and nobody refocuses, or does so too seldom."""
    ratio = rng.uniform(2.0, 3.6)
    every_h = float(rng.choice([99.0, rng.uniform(2.5, 4.0)]))
    within_h = min(every_h, course.hours[-1])
    fall_c = float(np.ptp(course.ambient_c[course.hours <= within_h]))
    slope = float(rng.choice([-1, 1])) * course.focus_error_um(ratio) / max(fall_c, 1.0)
    course.focus_um[:] = 0.0
    _refocus(course, slope, every_h)
    _mark_soft(course)
    return {"slope_um_per_deg": slope, "refocused_every_h": every_h if every_h < 90 else 0.0}


def focuser_bumped(course: Course, rng: np.random.Generator) -> Numbers:
    """A knock moves the focuser once; it stays so until it is set again, if at all."""
    at = int(rng.integers(len(course) // 4, 3 * len(course) // 4))
    until = len(course) if rng.random() < 0.6 else min(len(course), at + len(course) // 3)
    error = float(rng.choice([-1, 1])) * course.focus_error_um(rng.uniform(1.8, 3.5))
    course.focus_um[at:until] += error
    _mark_soft(course)
    return {"from_sub": float(at), "until_sub": float(until), "focus_error_um": error}


def miscollimation(course: Course, rng: np.random.Generator) -> Numbers:
    """A mirror out of line: the same coma in every sub, at the centre too."""
    wanted = rng.uniform(1.45, 2.2)
    course.base = recipes.miscollimation(course.base, wanted, rng)
    return {"wanted_hfr_ratio": wanted}


def tilt(course: Course, rng: np.random.Generator) -> Numbers:
    """The sensor is not square to the axis: one side in focus, the other not."""
    ratio, angle = rng.uniform(1.8, 2.8), rng.uniform(0, 2 * np.pi)
    waves = course.waves_of_focus(course.focus_error_um(ratio))
    pair = (float(waves * np.cos(angle)), float(waves * np.sin(angle)))
    course.base = replace(course.base, tilt_waves=pair)
    return {"hfr_ratio_at_edge": ratio, "angle_deg": float(np.rad2deg(angle))}


def field_coma(course: Course, rng: np.random.Generator) -> Numbers:
    """No corrector, or one at the wrong distance: coma that grows from the axis outward."""
    ratio = rng.uniform(1.6, 2.4)
    wave_px = recipes.lambda_over_d_px(course.base)
    # As in the recipe of miscollimation: half-flux radius 8 lambda/D per wave rms of coma.
    coma = course.base.good_fwhm_px / 2 * np.sqrt(ratio**2 - 1) / (8 * wave_px)
    coma = min(coma, recipes.LONGEST_PX / (51 * wave_px) * 1.3)
    course.base = replace(course.base, field_coma_waves=float(coma))
    return {"hfr_ratio_at_corner": ratio, "waves": float(coma)}


def dust(course: Course, rng: np.random.Generator) -> Numbers:
    """Dust on the window, no flats: the same shadows in every sub."""
    depth = rng.uniform(5.0, 20.0)
    # What noise and stars hide, wider ones low in the sky included, is the cause of nothing: deeper
    # shadows are tried; the last stands.
    for _ in range(40):
        base = recipes.dust_motes(course.base, depth, rng)
        shallow = base.with_("dust_motes", 0.6 * depth)
        if np.isfinite(prepare([shallow]).known[0, INDEX["dust_motes"]]):
            break
        depth = min(40.0, 1.05 * depth)
    course.base = base
    rig, motes = course.base.rig, course.base.dust.motes
    deepest = max(motes, key=mote_depth)
    pixel_um = rig.camera.pixel_um * rig.camera.binning
    distance = dust_distance_mm(2 * deepest.outer_px, pixel_um, rig.telescope.focal_ratio)
    return {"depth_pct": depth, "distance_mm": distance}


def hot_pixels(course: Course, rng: np.random.Generator) -> Numbers:
    """A sensor without cooling, no darks: the same pixels, fading as the night cools.

    Dark current doubles every 6 degrees (common practice).
    """
    share = log_uniform(rng, 0.15, 0.8)
    course.base = recipes.hot_pixels(course.base, share, rng)
    course.sensor_c = course.ambient_c + rng.uniform(6, 12)
    return {"share_pct": share, "warmest_c": float(course.sensor_c.max())}


# A spike of this many sigma beyond six widths is one that a photographer would ask about: twice the
# level from which odd spikes count.
_SEEN_SPIKE_SIGMA = 6.0
# Spikes are as wide as the star: at eight widths from it, two that are nearer are one.
_APART_DEG = 8.0


def cable(course: Course, rng: np.random.Generator) -> Numbers:
    """A cable across the aperture: an uneven spike at one angle of the tube, all night."""
    strength = log_uniform(rng, 12.0, 80.0)
    # A cable that lies nearly along a vane hides in the vane's own spikes, a wide or faint spike in
    # the star's own glare and in its neighbours: others and brighter stars are tried, and the one
    # that is seen best stands.
    best, most = course.base, -1.0
    for _ in range(60):
        base = recipes.diffraction_spikes(course.base, strength, rng)
        is_off = off_vanes_deg(base).max() >= _APART_DEG
        sigma = np.nan_to_num(_spike_sigma(base)) if is_off else 0.0
        if sigma > most:
            best, most = base, float(sigma)
        if most >= _SEEN_SPIKE_SIGMA:
            break
        strength = min(400.0, 1.1 * strength)
    course.base = best
    return {"bar_angle_deg": course.base.bars[0].angle_deg}


def _spike_sigma(scene: Scene) -> float:
    return float(spike_strengths(plan_spikes([scene]), np.array([scene.good_fwhm_px]))[0])


# A ghost of which so much is seen (percent of the sky) is one that a photographer would ask about,
# also where moonlight, twilight or low altitude double the sky.
_SEEN_GHOST_PCT, _BRIGHTER_SKY = 3.0, 2.0


def ghost(course: Course, rng: np.random.Generator) -> Numbers:
    """A bright star reflects in the optics: a ghost beside it, round it, or opposite to it
    through the axis, which moves with the pointing."""
    strength = log_uniform(rng, 6.0, 30.0)
    kind = str(rng.choice(["beside", "around", "mirrored"]))
    # What hides in the glare of its own star is the cause of nothing: brighter ones are tried, in
    # the end of another kind. The last draw stands.
    for attempt in range(60):
        if attempt == 30:
            kind = "mirrored"
        base = _with_ghost(course.base, strength, kind, rng)
        if seen_reflection_pct(_fainter(base)) >= _SEEN_GHOST_PCT:
            break
        strength = min(60.0, 1.05 * strength)
    course.base = base
    course.ghost_mirrored = kind == "mirrored"
    assert base.reflection is not None and base.reflection.source_px is not None
    x, y = base.reflection.source_px
    return {
        "brightness_pct": strength,
        "mirrored": float(course.ghost_mirrored),
        "star_x_px": x,
        "star_y_px": y,
    } | ({} if course.ghost_mirrored else _surfaces(base))


def _fainter(scene: Scene) -> Scene:
    """The scene with its ghosts against a brighter sky."""
    ghosts = tuple(
        replace(g, brightness=g.brightness / _BRIGHTER_SKY) for g in scene.reflection.ghosts
    )
    return replace(scene, reflection=replace(scene.reflection, ghosts=ghosts))


def _surfaces(scene: Scene) -> Numbers:
    """Where the surfaces lie and how well they reflect that make the ghost of a star beside or
    round it: either gap or window, of glass of index 1.5."""
    rig, ghost = scene.rig, scene.reflection.ghosts[0]
    optics = rig.camera.pixel_um * rig.camera.binning, rig.telescope.focal_ratio
    numbers = {
        "gap_mm": gap_mm(2 * ghost.outer_px, *optics),
        "window_mm": window_mm(2 * ghost.outer_px, *optics, 1.5),
    }
    x, y = scene.reflection.source_px
    away = np.hypot(scene.stars.x_px - x, scene.stars.y_px - y)
    if len(away) and away.min() < 3:
        star_e = float(scene.stars.flux_e[int(away.argmin())])
        share = ghost.brightness * scene.sky_e / star_e
        numbers["reflectances"] = reflectance_product(share, 2 * ghost.outer_px, ghost.hole)
    return numbers


def _with_ghost(base: Scene, strength_pct: float, kind: str, rng: np.random.Generator) -> Scene:
    stars, size = base.stars, (base.width_px, base.height_px)
    inside = (stars.x_px > 0) & (stars.x_px < size[0]) & (stars.y_px > 0) & (stars.y_px < size[1])
    places = (stars.x_px[inside], stars.y_px[inside], stars.flux_e[inside])
    hole = base.rig.telescope.obstruction
    drawn = reflection_draw.draw_reflection(rng, strength_pct, *size, *places, hole, kind)
    assert drawn.source_px is not None
    # Two coated surfaces send back some 1e-4 to 1e-2 of the light (common practice).
    first = drawn.ghosts[0]
    area_px = np.pi * first.outer_px**2 * (1 - first.hole**2)
    flux_e = min(5e8, first.brightness * base.sky_e * area_px / log_uniform(rng, 5e-4, 1e-2))
    stars = catalogue.brightened(stars, *drawn.source_px, flux_e)
    return base.with_("reflection", strength_pct, reflection=drawn, stars=stars)
