"""How strong each fault really is in a scene's light: the truth the labels are made from.

Sky faults know their strength when drawn. Star faults are measured on the noiseless star in the
middle of the field, against the same star without the fault, so that the label is what an ideal
observer would read off the frame. A fault that noise would hide from any observer is not scored.

`prepare` does what needs no device (in worker processes), `settle` the rest, batched.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import torch

from classifier.vocabulary import FAULTS, INDEX, KEYS
from synth import reflections, tracking
from synth.crowding import left_by_stars
from synth.defects import hot_pixels
from synth.processing import is_lost
from synth.psf import Blur, Pupil, fwhm_px, half_flux_radius_px, star_light
from synth.scene import Scene
from synth.spike_strength import SpikePlan, plan_spikes, spike_strengths
from synth.starlight import OVER, STAMP_PX, ZONES, blur_table, once_each, pupil_table, zone_path
from synth.transfer import moved, sent

SHAPE_KEYS = (
    "vibration",
    "drift",
    "defocus",
    "bloated_stars",
    "miscollimation",
    "guiding_loss",
)
# Value of each fault in a frame without it.
ABSENT = {
    "vibration": 1.0,
    "drift": 1.0,
    "defocus": 1.0,
    "bloated_stars": 1.0,
    "miscollimation": 1.0,
    "bayer_grid": 1.0,
}
NAN = float("nan")
# Stars that must stand out of the noise before their shape can be judged.
STARS_NEEDED = 4
# Light per pixel of a star's wings at one FWHM, in its light over FWHM squared: of 60 rendered rigs
# the median is 0.14, and half of them lie between 0.07 and 0.23.
WINGS = 0.15


@dataclass(frozen=True)
class Truth:
    """What is known of B scenes before their light is made.

    known: (B, 16) strengths, star shapes missing. given: (B, 16) which recipes were applied.
    spread2: (B, 9, 2) variance of the smear across and along it, px^2, at nine places.
    halo: (B,) what a halo makes of a star, in the unit of bloat. fourth: (B,) flux of the
    fourth-brightest star over the sky noise. pupil, blur: tables for three stars a frame.
    """

    known: np.ndarray
    given: np.ndarray
    spread2: np.ndarray
    halo: np.ndarray
    fourth: np.ndarray
    pupil: dict[str, np.ndarray]
    blur: dict[str, np.ndarray]
    spikes: SpikePlan


def prepare(scenes: Sequence[Scene]) -> Truth:
    """The part of `strengths` that needs no device."""
    good_air = [
        replace(
            s,
            path=tracking.still()[:1],
            twist_deg=0.0,
            bars=(),
            seeing_factor=1.0,
            halo_share=s.good_halo_share,
            halo_px=s.good_halo_px,
        )
        for s in scenes
    ]
    centre = [(0.0, 0.0)]
    # Three stars a frame: good, with the faults of the optics, with those of the air.
    stars = (
        [replace(g, waves=s.good_waves) for g, s in zip(good_air, scenes, strict=True)],
        good_air,
        [
            replace(
                g,
                waves=s.good_waves,
                seeing_factor=s.seeing_factor,
                halo_share=s.halo_share,
                halo_px=s.halo_px,
            )
            for g, s in zip(good_air, scenes, strict=True)
        ],
    )
    tables = [blur_table(variant, centre) for variant in stars]
    blur = {
        name: np.stack([t[name].reshape(len(scenes), *t[name].shape[2:]) for t in tables], 1)
        for name in tables[0]
    }
    given = np.zeros((len(scenes), len(KEYS)), bool)
    for i, scene in enumerate(scenes):
        given[i, [INDEX[key] for key in scene.recipe]] = True
    return Truth(
        np.stack([_known(scene) for scene in scenes]),
        given,
        np.stack([_spread2(scene) for scene in scenes]),
        np.array([1 + 0.4 * (s.halo_share - s.good_halo_share) / 0.15 for s in scenes]),
        np.array([_fourth(scene) for scene in scenes]),
        pupil_table(good_air),
        blur,
        plan_spikes(scenes),
    )


def strengths(scenes: Sequence[Scene], device: str = "cpu") -> np.ndarray:
    """(B, 16) strengths in the vocabulary's units and order; NaN = leave out of the frame."""
    return settle(prepare(scenes), device)


def settle(truth: Truth, device: str = "cpu") -> np.ndarray:
    """Prepared scenes -> (B, 16) strengths: see `strengths`."""
    table = truth.known.copy()
    width_px, hfr_ratio, fwhm_ratio = _sizes(truth, device)
    measured = {
        "defocus": hfr_ratio,
        "miscollimation": hfr_ratio,
        "bloated_stars": np.maximum(fwhm_ratio, truth.halo),
        "vibration": elongation(truth.spread2, width_px),
        "drift": elongation(truth.spread2, width_px),
        "diffraction_spikes": spike_strengths(truth.spikes, width_px, device),
    }
    for key, values in measured.items():
        column = INDEX[key]
        given = truth.given[:, column] & ~np.isnan(truth.known[:, column])
        table[given, column] = values[given]
    _hide_small_steps(table, truth, width_px)
    _hide_shapes(table, truth, width_px)
    return table


def _sizes(truth: Truth, device: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(B,) FWHM of the good stars, px; half flux radius with the faults of the optics, FWHM with
    those of the air, over the good star's. NaN where such a fault is not given: of each frame only
    those stars are made that tell something."""
    frames, stars = truth.blur["seeing_px"].shape
    optics = np.flatnonzero(truth.given[:, [INDEX["defocus"], INDEX["miscollimation"]]].any(1))
    air = np.flatnonzero(truth.given[:, INDEX["bloated_stars"]])
    frame = np.concatenate((np.arange(frames), optics, air))
    star = np.repeat((0, 1, 2), (frames, len(optics), len(air)))
    blur = {
        name: of.reshape(-1, 1, *of.shape[2:])[frame * stars + star]
        for name, of in truth.blur.items()
    }
    pupil, blur, which = once_each({n: of[frame] for n, of in truth.pupil.items()}, blur)
    moves = bool(blur["paths"].any())
    air_and_path = Blur(**sent(blur, device))
    light = star_light(
        Pupil(**sent(pupil, device)),
        air_and_path if moves else replace(air_and_path, paths=None),
        STAMP_PX,
        OVER,
        128,
        (1.0,),
        moved(which, device),
    )[:, 0]
    out = frames + len(optics)
    both = torch.cat((light[moved(optics, device)], light[frames:out]))
    widths = fwhm_px(torch.cat((light[:frames], light[out:])), OVER)
    numbers = torch.cat((widths, half_flux_radius_px(both, OVER))).cpu().numpy()
    fwhm, hfr = numbers[: frames + len(air)], numbers[frames + len(air) :]
    ratios = np.full((2, frames), NAN, numbers.dtype)
    ratios[0, optics] = hfr[len(optics) :] / hfr[: len(optics)]
    ratios[1, air] = fwhm[frames:] / fwhm[:frames][air]
    return fwhm[:frames], *ratios


def elongation(spread2: np.ndarray, good_fwhm_px: np.ndarray) -> np.ndarray:
    """(B, 9, 2) variances of the smear, (B,) px -> (B,) axis ratio of the smeared star's second
    moments, middle of the nine places."""
    base = (good_fwhm_px[:, None] / 2.3548) ** 2
    return np.median(np.sqrt((base + spread2[..., 1]) / (base + spread2[..., 0])), 1)


def _spread2(scene: Scene) -> np.ndarray:
    """(9, 2) variances of the path across and along it, px^2, at the nine places."""
    places = ZONES if scene.twist_deg else ZONES[:1]
    paths = np.stack([zone_path(scene, x, y) for x, y in places])
    away = paths - paths.mean(1, keepdims=True)
    xx, yy, xy = ((away[..., a] * away[..., b]).mean(1) for a, b in ((0, 0), (1, 1), (0, 1)))
    root = np.hypot((xx - yy) / 2, xy)
    both = np.stack((((xx + yy) / 2 - root).clip(0), (xx + yy) / 2 + root), 1)
    return np.broadcast_to(both, (len(ZONES), 2))


def _fourth(scene: Scene) -> float:
    """Flux of the last star that is needed to judge a shape, over the noise of a pixel."""
    flux_e = np.sort(scene.stars.flux_e[:400])[::-1]
    if len(flux_e) < STARS_NEEDED:
        return 0.0
    return float(flux_e[STARS_NEEDED - 1] * 10 ** (-0.4 * scene.loss_mag) / scene.noise_e)


def _known(scene: Scene) -> np.ndarray:
    """(16,) strengths of all but the star shapes; NaN where nobody could see the fault."""
    row = dict.fromkeys(KEYS, 0.0) | ABSENT | scene.strength
    row["hot_pixels"] = hot_percent(scene)
    row["low_signal"] = scene.sky_e / scene.rig.camera.read_noise_e**2
    if scene.rig.camera.cfa:
        row["bayer_grid"] = min(scene.plane_response) / max(scene.plane_response)
    if scene.clouds is not None:
        row["clouds"] = scene.strength.get("clouds", scene.clouds.strength_mag)
    sky_over_noise = scene.sky_e / scene.noise_e
    if scene.reflection is not None:
        row["reflection"] = seen_reflection_pct(scene)
    if scene.trails:
        # Beside a line filter as wide as a star, a star is noise by f^2 / sqrt 2. Clouds dim a
        # trail as they dim stars; the air is in its strength as drawn.
        behind = 10 ** (-0.4 * (scene.loss_mag - scene.extinction_mag))
        row["trail"] *= left_by_stars(scene, 1 / np.sqrt(2)) * behind
    if scene.dust is not None:
        area = max(np.pi * m.outer_px**2 for m in scene.dust.motes)
        snr = row["dust_motes"] / 100 * sky_over_noise * np.sqrt(area)
        if snr * left_by_stars(scene) < 12:
            row["dust_motes"] = NAN
    if scene.gradient is not None and row["gradient"] / 100 * sky_over_noise * 200 < 6:
        row["gradient"] = 0.0 if row["gradient"] < 7.5 else NAN
    if row["vignetting"] / 100 * sky_over_noise * 200 < 6:
        row["vignetting"] = 0.0 if row["vignetting"] < 15 else NAN
    row |= {key: NAN for key, value in row.items() if is_lost(scene, key, value)}
    return np.array([row[key] for key in KEYS])


def seen_reflection_pct(scene: Scene) -> float:
    """Percent of the sky that ghosts reach where they can be seen; NaN if that is hardly anywhere.

    Seen: inside the frame, and not under the light of a bright star. A twentieth of what is seen
    is brighter. 3 % counts only from 1 sigma in a mean over 16 x 16 px; a ghost whose whole light
    has an S/N under 25 among the frame's stars, or that is no larger than a star, is anybody's
    guess: its shape has to be seen, not only its light.
    """
    x_px, y_px = (np.linspace(0, size - 1, 48) for size in (scene.width_px, scene.height_px))
    axes = (torch.from_numpy(axis).float() for axis in (x_px, y_px))
    light = reflections.reflection_map([scene.reflection], *axes)[0].numpy()
    if light.max() <= 0:
        return 0.0
    seen = (light > 0.1 * light.max()) & (light * scene.sky_e > 0.5 * _glare_e(scene, x_px, y_px))
    cell_px = scene.width_px * scene.height_px / light.size
    over_noise = scene.sky_e / scene.noise_e
    enough = seen.sum() * cell_px > 30 * scene.good_fwhm_px**2
    snr = over_noise * np.sqrt((light[seen] ** 2).sum() * cell_px) * left_by_stars(scene)
    if not enough or snr < 25:
        return NAN
    percent = 100 * float(np.quantile(light[seen], 0.95))
    return min(percent, 3 * percent / 100 * over_noise * 16)


def _glare_e(scene: Scene, x_px: np.ndarray, y_px: np.ndarray) -> np.ndarray:
    """(len(y), len(x)) electrons that the brightest stars spread over a pixel: a Moffat core of
    beta 2.9, the wings of turbulent air, which fall as r^(-11/3), and the halo as a Gaussian."""
    stars, beta = scene.stars, 2.9
    brightest = np.argsort(stars.flux_e)[::-1][:24]
    x = stars.x_px[brightest] + scene.shift_px[0]
    y = stars.y_px[brightest] + scene.shift_px[1]
    core_px = scene.good_fwhm_px / (2 * np.sqrt(2 ** (1 / beta) - 1))
    away2 = (x_px[None, None] - x[:, None, None]) ** 2 + (
        y_px[None, :, None] - y[:, None, None]
    ) ** 2
    core = (beta - 1) / (np.pi * core_px**2) * (1 + away2 / core_px**2) ** -beta
    width_px = scene.good_fwhm_px * max(1.0, scene.seeing_factor)
    far = np.maximum(away2 / width_px**2, 1.0)
    wings = np.maximum(core, WINGS / width_px**2 * far ** (-11 / 6))
    halo = np.exp(-0.5 * away2 / scene.halo_px**2) / (2 * np.pi * scene.halo_px**2)
    share = scene.halo_share
    profile = (1 - share) * wings + share * halo
    arriving_e = stars.flux_e[brightest, None, None] * 10 ** (-0.4 * scene.loss_mag)
    return (arriving_e * profile).sum(0)


def hot_percent(scene: Scene) -> float:
    """Percent of the pixels over 10 sigma; bad columns from the third on, two are no fault."""
    _, electrons = hot_pixels(scene)
    over = float((electrons > 10 * scene.noise_e).sum())
    # Every other one glares; the mean column reaches over three quarters of the height.
    over += 0.5 * 0.75 * max(0, scene.bad_columns - 2) * scene.height_px
    return 100 * over / (scene.width_px * scene.height_px)


def _hide_small_steps(table: np.ndarray, truth: Truth, width_px: np.ndarray) -> None:
    """NaN where guiding made a small step only. A star that it stretches as a drift or a vibration
    would is neither free of these, nor does it show what made it; and steps that hardly lengthen
    the star are seen by nobody."""
    column, others = INDEX["guiding_loss"], (INDEX["drift"], INDEX["vibration"])
    given, least = truth.given, FAULTS[others[0]].clean_below
    is_long = table[:, column] >= FAULTS[column].counts_from
    is_stretched = elongation(truth.spread2, width_px) > least
    for other in others:
        table[given[:, column] & ~is_long & is_stretched & ~given[:, other], other] = NAN
    longest = elongation(truth.spread2 * (0, 1), width_px)  # against the star standing still
    table[given[:, column] & is_long & (longest < least), column] = NAN


def _hide_shapes(table: np.ndarray, truth: Truth, width_px: np.ndarray) -> None:
    """NaN where a shape is drawn but no star shows it, or two faults are one light."""
    shapes = np.array([INDEX[key] for key in SHAPE_KEYS])
    given = truth.given[:, shapes]
    smear = 1.0 + np.nan_to_num(np.where(given, table[:, shapes], 0.0)).max(1)
    few = truth.fourth <= 18 * width_px * smear**0.5
    for i in np.flatnonzero(few | (given.sum(1) > 1)):
        keys = [key for key, there in zip(SHAPE_KEYS, given[i], strict=True) if there]
        excess = {key: _excess(key, table[i, INDEX[key]]) for key in keys}
        strongest = [key for key in keys if excess[key] == max(excess.values())]
        if not few[i] and len(strongest) == 1:
            # Two smears in one star: the weaker may be drowned, and neither is wrong to name. Drift
            # and vibration, told by all motion together, are equally strong.
            keys.remove(strongest[0])
        for key in keys:
            if excess[key] > 0:
                table[i, INDEX[key]] = NAN


def _excess(key: str, strength: float) -> float:
    """How far a fault is beyond clean, 1 where it counts: the ramp of its target, not cut off.
    Of an unknown strength 0: it hides no other."""
    row = FAULTS[INDEX[key]]
    ramp = (strength - row.clean_below) / (row.counts_from - row.clean_below)
    return 0.0 if np.isnan(ramp) else ramp
