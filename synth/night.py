"""A coherent night: one rig, one target followed through the dark, and one or more true causes.

    night = draw_night(seed=5, cause="focus_temperature", count=40)
    batch = render_scenes([night.subs[0].scene], night.seed, 0)

Everything belongs together: airmass widens and dims the stars, the tube cools, subs are
dithered, the mount flips at the meridian, the Moon and the lamps stand where the site and the
hour put them, and what sits on the sensor stays there. Causes add up when several are given.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from classifier.errors import UsageError
from synth import catalogue, night_optics, night_pointing, night_weather
from synth.night_course import Course, ordinary_course
from synth.night_scene import Pose, pose, sub_scene
from synth.night_session import Moment, Session, Wish, draw_session
from synth.rng import stream
from synth.scene import Scene, draw_run

Change = Callable[[Course, np.random.Generator], dict[str, float]]


_ANY, _FLIP = Wish(), Wish(flip=True)


@dataclass(frozen=True)
class Cause:
    """A kind of trouble: what it does to the course and what it needs of sky and rig.

    Moonlight shows at a dark site; under a town's sky it would be no cause of anything.
    """

    change: Change
    wish: Wish = _ANY
    obstructed: bool = False
    least_exposure_s: float = 30.0
    least_sky_mag: float = 17.0


CAUSES: dict[str, Cause] = {
    "clear": Cause(night_weather.clear),
    "flexure": Cause(night_pointing.flexure, _FLIP),
    "wind": Cause(night_pointing.wind, _FLIP),
    "polar_misalignment": Cause(night_pointing.polar_misalignment, least_exposure_s=400.0),
    "tracking_error": Cause(night_pointing.tracking_error),
    "vibration": Cause(night_pointing.vibration),
    "vibration_bursts": Cause(night_pointing.vibration_bursts),
    "guiding_after_cloud": Cause(night_pointing.guiding_after_cloud),
    "guide_calibration": Cause(night_pointing.guide_calibration, _FLIP),
    "focus_temperature": Cause(night_optics.focus_temperature),
    "focuser_bumped": Cause(night_optics.focuser_bumped),
    "miscollimation": Cause(night_optics.miscollimation, obstructed=True),
    "tilt": Cause(night_optics.tilt),
    "field_coma": Cause(night_optics.field_coma, obstructed=True),
    "dust": Cause(night_optics.dust),
    "hot_pixels": Cause(night_optics.hot_pixels),
    "cable": Cause(night_optics.cable),
    "ghost": Cause(night_optics.ghost),
    "seeing": Cause(night_weather.seeing),
    "dew": Cause(night_weather.dew),
    "thin_cloud": Cause(night_weather.thin_cloud),
    "haze": Cause(night_weather.haze),
    "moonrise": Cause(night_weather.moon, Wish(moon="rises"), least_sky_mag=20.3),
    "moonset": Cause(night_weather.moon, Wish(moon="sets"), least_sky_mag=20.3),
    "lamp": Cause(night_weather.lamp),
    "town_glow": Cause(night_weather.town_glow),
    "satellites": Cause(night_weather.satellites, Wish(dusk=True)),
    "low_altitude": Cause(night_weather.low_altitude, Wish(low=True)),
}


@dataclass(frozen=True)
class TrueCause:
    """What really went wrong, with its numbers (units in the names)."""

    name: str
    numbers: dict[str, float]


@dataclass(frozen=True)
class Sub:
    """One exposure: what the camera sees, when, where the field lies, and the course's entries."""

    scene: Scene
    moment: Moment
    pose: Pose
    ambient_c: float
    focus_um: float


@dataclass(frozen=True)
class Night:
    """`camera_deg` is the position angle of the sensor's y axis before the flip."""

    seed: int
    causes: tuple[TrueCause, ...]
    session: Session
    camera_deg: float
    subs: tuple[Sub, ...]


def draw_night(
    seed: int,
    cause: str | Sequence[str] = "random",
    count: int = 40,
    width_px: int = 768,
    height_px: int = 512,
    cfa: bool | None = None,
) -> Night:
    """`count` subs spread over one night with the given cause or causes.

    "random" draws one cause, one time in three a second. Equal arguments give equal nights.
    UsageError for an unknown cause, or for causes whose nights exclude each other.
    """
    names = _names(seed, cause)
    if count < 2:
        raise UsageError(f"A night of {count} subs cannot be drawn; ask for 2 or more.")
    wish = _joined_wish(names)
    base = _base_scene(seed, width_px, height_px, cfa, names)
    session = draw_session(stream(seed, "session"), count, base.exposure_s, wish)
    base = _exposed(base, session)
    camera_deg = float(stream(seed, "camera").uniform(0, 360))
    course = ordinary_course(stream(seed, "course"), base, session, camera_deg)
    causes = tuple(
        TrueCause(name, CAUSES[name].change(course, stream(seed, "cause", name))) for name in names
    )
    subs = tuple(
        Sub(
            sub_scene(course, i, seed),
            session.moments[i],
            pose(course, i),
            float(course.ambient_c[i]),
            float(course.focus_um[i]),
        )
        for i in range(count)
    )
    return Night(seed, causes, session, camera_deg, subs)


def _names(seed: int, cause: str | Sequence[str]) -> tuple[str, ...]:
    names = (cause,) if isinstance(cause, str) else tuple(cause)
    if names == ("random",):
        rng = stream(seed, "which cause")
        number = 2 if rng.random() < 1 / 3 else 1
        pair = [str(name) for name in rng.permutation(list(CAUSES))]
        # A second cause whose wishes contradict the first is left out.
        return tuple(pair[:number]) if _agree(pair[:number]) else (pair[0],)
    for name in names:
        if name not in CAUSES:
            raise UsageError(
                f"{name!r} is no cause of a night; use random or one of {', '.join(CAUSES)}."
            )
    if not names or not _agree(names):
        raise UsageError(
            f"The causes {', '.join(names) or '(none)'} cannot share a night: they ask for "
            "different Moons or pointings; render them as two nights."
        )
    return names


def _agree(names: Sequence[str]) -> bool:
    wishes = [CAUSES[name].wish for name in names]
    moons = {wish.moon for wish in wishes} - {"down"}
    return len(moons) <= 1 and not (
        any(wish.low for wish in wishes) and any(wish.flip for wish in wishes)
    )


def _joined_wish(names: Sequence[str]) -> Wish:
    wishes = [CAUSES[name].wish for name in names]
    moons = {wish.moon for wish in wishes} - {"down"}
    return Wish(
        moon=moons.pop() if moons else "down",
        flip=any(wish.flip for wish in wishes),
        low=any(wish.low for wish in wishes),
        dusk=any(wish.dusk for wish in wishes),
    )


# More field on every side than the sensor sees, in frame widths: a turning field needs it.
_FIELD_MARGIN = 0.15
# Photographers choose fields with stars enough to guide and to judge by, in 0.4 Mpx.
_LEAST_STARS = 40


def _base_scene(
    seed: int, width_px: int, height_px: int, cfa: bool | None, names: Sequence[str]
) -> Scene:
    """A rig and field at random that a night can be read from: raw files, stars 1.8 to 6 px."""
    obstructed = any(CAUSES[name].obstructed for name in names)
    least_s = max(CAUSES[name].least_exposure_s for name in names)
    darkest = max(CAUSES[name].least_sky_mag for name in names)
    colour = bool(stream(seed, "colour").random() < 0.3) if cfa is None else cfa
    for k in range(400):
        scene = draw_run(seed, 1_000_000 + k, 1, width_px, height_px, colour)[0]
        telescope = scene.rig.telescope
        if not 1.8 <= scene.good_fwhm_px <= 6.0 or not least_s <= scene.exposure_s <= 900:
            continue
        if obstructed and telescope.obstruction == 0:
            continue
        if scene.rig.sky_mag < darkest:
            continue
        scene = _plain(scene)
        margin = round(_FIELD_MARGIN * width_px)
        wide = replace(scene, width_px=width_px + 2 * margin, height_px=height_px + 2 * margin)
        stars = catalogue.draw_list(stream(seed, "night field", k), wide, max_stars=4000)
        stars = replace(stars, x_px=stars.x_px - margin, y_px=stars.y_px - margin)
        if _clear_stars(scene, stars) >= _LEAST_STARS * min(1.0, width_px * height_px / 400_000):
            return replace(scene, stars=stars)
    raise RuntimeError("no rig fit for a night in 400 draws: the sampler's ranges are too narrow")


def _plain(scene: Scene) -> Scene:
    """The scene at the zenith, its file as it comes from the camera."""
    return replace(
        scene,
        processing="raw",
        shift_px=(0.0, 0.0),
        seeing_factor=1.0,
        extinction_mag=0.0,
        smear_share=0.0,
        amp_glow=None,
        edges=None,
        flat=None,
        gradient=None,
        strength={},
    )


def _clear_stars(scene: Scene, stars: catalogue.StarList) -> int:
    """Stars in the frame that stand out well."""
    inside = (stars.x_px > 0) & (stars.x_px < scene.width_px)
    inside &= (stars.y_px > 0) & (stars.y_px < scene.height_px)
    return int((inside & (stars.flux_e > 20 * scene.noise_e * scene.good_fwhm_px)).sum())


def _exposed(base: Scene, session: Session) -> Scene:
    """The exposure shortened where subs follow each other faster or the sky would fill pixels."""
    from synth.night_sky import moonlight_nl, twilight_nl
    from synth.photometry import nanolambert, v_mag_of

    dark_nl = nanolambert(base.sky_mag)
    brightest_nl = max(
        dark_nl * (1 + 0.35 * (moment.airmass - 1))
        + moonlight_nl(moment)
        + twilight_nl(moment.sun_altitude_deg)
        for moment in session.moments
    )
    camera = base.rig.camera
    # A pixel is full at its well or at the converter's top, whichever comes first.
    room_e = camera.gain_e_adu * (camera.saturation_adu - camera.offset_adu)
    most_s = 0.3 * room_e / base.rig.sky_e_s(v_mag_of(brightest_nl))
    exposure_s = max(1.0, min(base.exposure_s, 0.92 * session.step_s, most_s))
    factor = exposure_s / base.exposure_s
    shorter = replace(base, exposure_s=round(exposure_s, 1))
    return replace(shorter, stars=catalogue.dimmed(base.stars, factor))
