"""One sub of a night: the course's entries become a Scene and its place on the sky.

The sensor's frame: x to the right along the first FITS axis, y along the second, not mirrored on
the sky; `camera_deg` is the position angle of the y axis before the flip. A flip turns the field
by 180 degrees about the frame's centre and leaves what belongs to tube and sensor where it is.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import map_coordinates

from synth import catalogue, night_sky, recipes, sky, streaks, tracking
from synth.atmosphere import airmass_factor
from synth.field import Galaxies, Nebula
from synth.night_course import Course
from synth.optics import DEFOCUS
from synth.reflections import Reflection
from synth.rng import stream
from synth.scene import Scene

Place = Callable[[np.ndarray, np.ndarray], tuple[np.ndarray, np.ndarray]]


@dataclass(frozen=True)
class Pose:
    """Where the field lies on the sensor in one sub.

    Field places are those of the base scene. The field turns about the frame's centre by 180 deg
    if flipped and by `turn_deg`, and is then shifted. cd_deg: 2 x 2, degrees of right ascension
    (times cos dec) and declination per pixel. crpix: place of the target, first pixel 1 (FITS).
    """

    flipped: bool
    turn_deg: float
    centre_px: tuple[float, float]
    shift_px: tuple[float, float]
    cd_deg: tuple[tuple[float, float], tuple[float, float]]
    crpix: tuple[float, float]

    def to_sensor(self, x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Places of the base field on this sub, px; without the sub's own shift."""
        return _rotated(x, y, self.centre_px, self.turn_deg + 180.0 * self.flipped)

    def to_field(self, x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """The inverse of `to_sensor`."""
        return _rotated(x, y, self.centre_px, -self.turn_deg - 180.0 * self.flipped)


def _rotated(
    x: np.ndarray, y: np.ndarray, about: tuple[float, float], deg: float
) -> tuple[np.ndarray, np.ndarray]:
    c, s = np.cos(np.deg2rad(deg)), np.sin(np.deg2rad(deg))
    dx, dy = x - about[0], y - about[1]
    return about[0] + c * dx - s * dy, about[1] + s * dx + c * dy


def pose(course: Course, i: int) -> Pose:
    """The pose of sub `i`."""
    base = course.base
    centre = (0.5 * (base.width_px - 1), 0.5 * (base.height_px - 1))
    flipped = bool(course.after_flip[i])
    turn = float(course.turn_deg[i])
    shift = (float(course.dither_px[i, 0]), float(course.dither_px[i, 1]))
    # Pixels to sky (east, north): turn back, then the mirrored rotation by the camera's angle.
    t = np.deg2rad(course.camera_deg)
    c, s = np.cos(np.deg2rad(turn)), np.sin(np.deg2rad(turn))
    to_sky = np.array([[-np.cos(t), np.sin(t)], [np.sin(t), np.cos(t)]])
    back = np.array([[c, s], [-s, c]]) * (-1 if flipped else 1)
    cd = base.rig.scale_arcsec / 3600.0 * to_sky @ back
    return Pose(
        flipped,
        turn,
        centre,
        shift,
        ((float(cd[0, 0]), float(cd[0, 1])), (float(cd[1, 0]), float(cd[1, 1]))),
        (centre[0] + shift[0] + 1.0, centre[1] + shift[1] + 1.0),
    )


def toward(course: Course, i: int, position_angle_deg: float) -> tuple[float, float]:
    """Unit vector in the sensor's frame of a direction on the sky at sub `i`."""
    up_deg = course.camera_deg + (180.0 if course.after_flip[i] else 0.0)
    turn = np.deg2rad(up_deg - position_angle_deg - course.turn_deg[i])
    return float(np.sin(turn)), float(np.cos(turn))


def sub_scene(course: Course, i: int, seed: int) -> Scene:
    """What the camera sees in sub `i`."""
    rng = stream(seed, "night sub", i)
    base, moment = course.base, course.session.moments[i]
    rig, where = base.rig, pose(course, i)
    width = rig.seeing_arcsec * airmass_factor(moment.airmass)
    warmth = 2.0 ** ((course.sensor_c[i] - course.sensor_c[0]) / 6.0)  # doubling in 6 deg
    lost_mag = night_sky.extinction_mag(rig.filter) * (moment.airmass - 1) + course.dim_mag[i]
    scene = replace(
        base,
        # The width that the airmass alone gives belongs to a good star of this sub.
        rig=replace(rig, seeing_arcsec=width),
        extinction_mag=float(lost_mag),
        seeing_factor=float(course.seeing[i]),
        halo_share=float(course.halo_share[i]),
        halo_px=course.halo_px,
        temperature_c=float(course.sensor_c[i]),
        hot_e=base.hot_e * warmth,
        shift_px=where.shift_px,
        stars=_moved_stars(base, where),
        twist_deg=float(course.twist_deg[i]),
        twist_centre=course.guide_star,
        path=_path(course, i, rng),
        waves=_with_focus(base.waves, course.waves_of_focus(course.focus_um[i])),
    )
    scene = _with_sky(scene, course, i, where)
    scene = _with_weather(scene, course, i, rng)
    return _with_marks(scene, course, i)


def _with_focus(waves: tuple[float, ...], extra: float) -> tuple[float, ...]:
    return (*waves[:DEFOCUS], waves[DEFOCUS] + extra, *waves[DEFOCUS + 1 :])


def _moved_stars(base: Scene, where: Pose) -> catalogue.StarList:
    x, y = where.to_sensor(base.stars.x_px, base.stars.y_px)
    return replace(base.stars, x_px=x, y_px=y)


def _path(course: Course, i: int, rng: np.random.Generator) -> np.ndarray:
    """Everything that moves the stars within the sub, (K, 2) px."""
    time = np.linspace(-0.5, 0.5, tracking.STEPS)
    path = time[:, None] * course.drift_px[i][None]
    gust = np.hypot(*course.gust_px[i])
    if gust > 0:
        # One-sided pushes that last some steps; scaled to the spread of a line of that length.
        push = np.abs(np.convolve(rng.normal(size=tracking.STEPS + 4), np.ones(5) / 5, "valid"))
        push *= 1 / (push.std() * np.sqrt(12))
        path = path + (push - push.mean())[:, None] * course.gust_px[i][None]
    shake = course.shake_px[i]
    if np.hypot(*shake) > 0:
        path = path + tracking.vibration(rng, np.hypot(*shake), np.arctan2(shake[1], shake[0]))
    if course.lost_fwhm[i] > 0:
        length = min(1.3 * recipes.LONGEST_PX, course.lost_fwhm[i] * course.base.good_fwhm_px)
        path = path + tracking.guiding_loss(rng, float(length), np.deg2rad(course.lost_deg[i]))
    return path


def _with_sky(scene: Scene, course: Course, i: int, where: Pose) -> Scene:
    """Level and slope of the sky, and what lies beyond the air measured in its units."""
    moment = course.session.moments[i]
    toward_town = night_sky.ground_angle_deg(course, moment, course.town_azimuth_deg)
    toward_lamp = night_sky.ground_angle_deg(course, moment, course.lamp_azimuth_deg)
    directions = {
        "zenith": toward(course, i, moment.zenith_angle_deg),
        "moon": toward(course, i, moment.moon_angle_deg),
        "town": toward(course, i, toward_town),
    }
    now = night_sky.skylight(course, i, directions)
    lamp = toward(course, i, toward_lamp)
    slope = night_sky.gradient_of(course, now.slope, float(course.lamp_pct[i]), lamp)
    # The map starts at 0 at its darkest place; a slope's mean belongs to the level.
    lift = 1.0 + 0.5 * np.hypot(*now.slope)
    sky_mag = now.mag + 2.5 * np.log10(lift)
    # What has light of its own is told in units of the sky, which has changed.
    beyond = float(10 ** (-0.4 * (course.base.sky_mag - sky_mag)))
    ghost = beyond * 10 ** (-0.4 * scene.extinction_mag)
    pct = sky.gradient_pct(slope, scene.width_px, scene.height_px)
    scene = replace(
        scene,
        sky_mag=float(sky_mag),
        gradient=slope,
        nebula=_moved_nebula(scene, where, beyond),
        galaxies=_moved_galaxies(scene, where, beyond),
        reflection=_moved_ghosts(scene, where, ghost, course.ghost_mirrored),
        strength=_in_this_sky(scene.strength, ghost) | {"gradient": pct},
    )
    # Below half of the level from which it counts a slope is a property of every sky.
    return scene.with_("gradient", pct) if pct > 7.5 else scene


def _moved_nebula(scene: Scene, where: Pose, light: float) -> Nebula | None:
    old: Nebula | None = scene.nebula
    if old is None:
        return None
    n, side, margin = len(old.light), max(scene.width_px, scene.height_px), 8.0
    reach = (side + 2 * margin) * n / (n - 1)
    axis = -margin + np.arange(n) * reach / n
    x, y = np.meshgrid(axis, axis)
    x, y = where.to_field(x - where.shift_px[0], y - where.shift_px[1])
    node = np.stack(((y - old.y_px), (x - old.x_px))) * n / old.reach_px
    picture = map_coordinates(old.light, node, order=1, mode="nearest")
    return replace(
        old, x_px=-margin, y_px=-margin, reach_px=reach, light=(light * picture).astype(np.float32)
    )


def _moved_galaxies(scene: Scene, where: Pose, light: float) -> Galaxies | None:
    if scene.galaxies is None:
        return None
    moved = []
    for galaxy in scene.galaxies.galaxies:
        x, y = where.to_sensor(np.array(galaxy.x_px), np.array(galaxy.y_px))
        moved.append(
            replace(
                galaxy,
                x_px=float(x) + where.shift_px[0],
                y_px=float(y) + where.shift_px[1],
                angle_deg=galaxy.angle_deg + where.turn_deg,
                brightness=galaxy.brightness * light,
            )
        )
    return Galaxies(tuple(moved))


def _in_this_sky(strength: dict[str, float], light: float) -> dict[str, float]:
    """A ghost is as bright as its star; against a brighter sky it counts for less."""
    if "reflection" not in strength:
        return strength
    return strength | {"reflection": strength["reflection"] * light}


def _moved_ghosts(scene: Scene, where: Pose, light: float, is_mirrored: bool) -> Reflection | None:
    """The ghosts of a star that the pointing has moved: beside it, or opposite through the axis."""
    old: Reflection | None = scene.reflection
    if old is None or old.source_px is None:
        return old
    x, y = where.to_sensor(np.array(old.source_px[0]), np.array(old.source_px[1]))
    star = np.array([float(x) + where.shift_px[0], float(y) + where.shift_px[1]])
    first, centre = np.array(old.source_px), np.array(where.centre_px)
    moved = []
    for ghost in old.ghosts:
        place = np.array([ghost.x_px, ghost.y_px])
        factor = 1.0
        if is_mirrored:
            # How far out the ghost stands for the star's own distance from the axis.
            out = first - centre
            factor = float((place - centre) @ out / max(out @ out, 1.0))
        place = place + factor * (star - first)
        moved.append(
            replace(
                ghost,
                x_px=float(place[0]),
                y_px=float(place[1]),
                brightness=ghost.brightness * light,
                # The lopsided side of a mirrored ghost points to the axis.
                shade_deg=ghost.shade_deg + 180.0 * (where.flipped and is_mirrored),
            )
        )
    return replace(old, ghosts=tuple(moved), source_px=(float(star[0]), float(star[1])))


def _with_weather(scene: Scene, course: Course, i: int, rng: np.random.Generator) -> Scene:
    """Cloud, haze and what crosses the sky."""
    cloud, haze = float(course.cloud_mag[i]), float(course.haze_mag[i])
    if cloud + haze > 0:
        rough = course.cloud_unevenness * cloud / (cloud + haze) + 0.02 * haze / (cloud + haze)
        angle = course.wind_deg + (180.0 if course.after_flip[i] else 0.0)
        veil = night_sky.passing_cloud(rng, course, cloud + haze, rough, angle)
        scene = replace(scene, clouds=veil)
    if course.trail_snr[i] > 0:
        drawn = streaks.draw_trails(
            rng,
            float(course.trail_snr[i]),
            scene.width_px,
            scene.height_px,
            scene.good_fwhm_px,
            scene.noise_e,
            "satellite",
        )
        scene = scene.with_("trail", float(course.trail_snr[i]), trails=tuple(drawn))
    return scene


def _with_marks(scene: Scene, course: Course, i: int) -> Scene:
    """Name the faults that were put in; their strength is read off the light where it can be."""
    for key, which in course.recipe.items():
        if not which[i] or key in scene.recipe:
            continue
        known = None
        if key == "guiding_loss":
            known = tracking.path_length_px(scene.path) / scene.good_fwhm_px
        scene = scene.with_(key, known)
    return scene
