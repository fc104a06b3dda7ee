"""The course of a night: what every sub of it suffers, as arrays over the subs.

A `Course` starts as an ordinary good night; the causes of trouble (`night_pointing`,
`night_optics`, `night_weather`) change its arrays; `night_scene` turns each sub's entries into a
Scene. So causes add up, and each can be tried by itself.
"""

from dataclasses import dataclass, field

import numpy as np

from synth.night_session import Session
from synth.optics import defocus_waves
from synth.rng import stream
from synth.scene import Scene
from synth.weather import cloud_unevenness


@dataclass
class Course:
    """Arrays are (n,) over the subs unless said otherwise; px and degrees in the sensor's frame.

    base: the field and rig of all subs. camera_deg: position angle of the sensor's upward axis
    before the flip, from north through east. guide_star: place in half frames from the centre.
    """

    base: Scene
    session: Session
    camera_deg: float
    ambient_c: np.ndarray
    sensor_c: np.ndarray
    seeing: np.ndarray  # width over what airmass alone gives
    halo_share: np.ndarray
    dim_mag: np.ndarray  # loss before the optics that leaves the sky alone: dew
    focus_um: np.ndarray  # distance from best focus
    cloud_mag: np.ndarray
    haze_mag: np.ndarray
    drift_px: np.ndarray  # (n, 2) length of a steady line within the sub
    gust_px: np.ndarray  # (n, 2) the same for pushes to one side
    shake_px: np.ndarray  # (n, 2) amplitude of a vibration
    lost_fwhm: np.ndarray  # path of a lost guide star, good widths
    lost_deg: np.ndarray
    twist_deg: np.ndarray  # turn of the field within the sub
    turn_deg: np.ndarray  # turn of the field since the first sub
    dither_px: np.ndarray  # (n, 2)
    trail_snr: np.ndarray  # 0 = none
    lamp_pct: np.ndarray  # of the sky, peak to peak
    town_pct: np.ndarray
    guide_star: tuple[float, float] = (0.0, 0.0)
    halo_px: float = 10.0
    cloud_glow: float = 0.6
    cloud_unevenness: float = 0.0  # scatter of its loss over the frame, shares of the loss
    wind_deg: float = 0.0
    lamp_azimuth_deg: float = 0.0
    town_azimuth_deg: float = 0.0
    stray_share: float = 0.05  # of the Moon's light that the tube turns into a slope
    ghost_mirrored: bool = False  # the ghost stands opposite to its star, not beside it
    recipe: dict[str, np.ndarray] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.session.moments)

    @property
    def hours(self) -> np.ndarray:
        return self.session.hours

    @property
    def flip(self) -> int | None:
        return self.session.flip

    @property
    def share(self) -> np.ndarray:
        """Place of each sub in the night, 0 at its begin and 1 at its end."""
        return np.linspace(0.0, 1.0, len(self))

    @property
    def after_flip(self) -> np.ndarray:
        """Which subs are taken after the meridian flip."""
        return np.arange(len(self)) >= (len(self) if self.flip is None else self.flip)

    def mark(self, key: str, which: np.ndarray) -> None:
        """Say that these subs have the fault, at a strength that the light will tell."""
        self.recipe[key] = self.recipe.get(key, np.zeros(len(self), bool)) | which

    def line_px(self, elongation: float) -> float:
        """Length of the steady line that lengthens a good star to this axis ratio."""
        sigma = self.base.good_fwhm_px / 2.3548
        return float(min(30.0, np.sqrt(12 * (elongation**2 - 1)) * sigma))

    def shake_amplitude_px(self, elongation: float) -> float:
        """Amplitude of the vibration that lengthens a good star to this axis ratio."""
        sigma = self.base.good_fwhm_px / 2.3548
        return float(min(15.0, np.sqrt(2 * (elongation**2 - 1)) * sigma))

    def blur_um(self, hfr_ratio: float) -> float:
        """Diameter on the sensor of the defocus that widens the half-flux radius so much."""
        camera, hole = self.base.rig.camera, self.base.rig.telescope.obstruction
        half_light = 0.5 * self.base.good_fwhm_px * np.sqrt(hfr_ratio**2 - 1)
        blur_px = half_light * 2 / np.sqrt((1 + hole**2) / 2)
        return float(min(44.0, blur_px) * camera.pixel_um * camera.binning)

    def focus_error_um(self, hfr_ratio: float) -> float:
        """Distance from best focus that widens the half-flux radius so much."""
        return self.blur_um(hfr_ratio) * self.base.rig.telescope.focal_ratio

    def waves_of_focus(self, focus_um: float) -> float:
        """Defocus coefficient, waves rms, held to what the pupil's samples can carry."""
        ratio, wavelength = self.base.rig.telescope.focal_ratio, self.base.rig.wavelength_nm
        blur_um = min(abs(focus_um) / ratio, 70 * ratio * wavelength / 550)
        return float(np.sign(focus_um) * defocus_waves(blur_um, ratio, wavelength))


def ordinary_course(
    rng: np.random.Generator, base: Scene, session: Session, camera_deg: float
) -> Course:
    """A good night: it cools, the air breathes a little, focus is set about once an hour."""
    count = len(session.moments)
    hours = session.hours

    def none() -> np.ndarray:
        return np.zeros(count)

    fall_c, begin_c = rng.uniform(3.0, 9.0), rng.uniform(2.0, 18.0)
    ambient = begin_c - fall_c * (1 - np.exp(-hours / 3.0)) + 0.1 * rng.normal(size=count)
    course = Course(
        base=base,
        session=session,
        camera_deg=camera_deg,
        ambient_c=ambient,
        sensor_c=np.full(count, base.temperature_c),
        seeing=np.exp(0.05 * wander(rng, count)),
        halo_share=np.full(count, base.good_halo_share),
        dim_mag=none(),
        focus_um=none(),
        cloud_mag=none(),
        haze_mag=none(),
        drift_px=np.zeros((count, 2)),
        gust_px=np.zeros((count, 2)),
        shake_px=np.zeros((count, 2)),
        lost_fwhm=none(),
        lost_deg=none(),
        twist_deg=none(),
        turn_deg=none(),
        dither_px=rng.uniform(-8, 8, (count, 2)),
        trail_snr=none(),
        lamp_pct=none(),
        town_pct=none(),
        halo_px=base.good_halo_px,
        wind_deg=float(rng.uniform(0, 360)),
        cloud_unevenness=cloud_unevenness(
            stream(base.field_seed, "cloud"),
            base.rig,
            base.width_px,
            base.height_px,
            base.exposure_s,
        ),
    )
    # Each hour's focus run ends a little off; 1.1 is what a good run leaves (common practice).
    run = np.floor(hours).astype(int)
    left = rng.normal(0, 0.5, run.max() + 1)
    course.focus_um += left[run] * course.focus_error_um(1.06)
    if session.flip is not None:
        # Centring after the flip comes back to the target within some pixels.
        course.dither_px[course.after_flip] += rng.uniform(-10, 10, 2)
    # Now and then a satellite, as every night has them.
    course.trail_snr = np.where(rng.random(count) < 0.04, np.exp(rng.uniform(1, 5, count)), 0.0)
    return course


def wander(rng: np.random.Generator, count: int, memory: float = 0.7) -> np.ndarray:
    """A slowly wandering series of unit variance, (n,): each value remembers the last."""
    steps = rng.normal(size=count)
    values = np.empty(count)
    last = rng.normal()
    for i in range(count):
        last = memory * last + np.sqrt(1 - memory**2) * steps[i]
        values[i] = last
    return values


def bouts(
    rng: np.random.Generator, hours: np.ndarray, number: int, length_h: tuple[float, float]
) -> np.ndarray:
    """Bumps in time between 0 and 1, (n,): spells of something that comes and goes."""
    height = np.zeros(len(hours))
    step_h = hours[-1] / max(1, len(hours) - 1)
    for _ in range(number):
        middle = rng.uniform(0.08, 0.92) * hours[-1]
        width = max(float(rng.uniform(*length_h)) / 2.355, 0.6 * step_h)
        height = np.maximum(height, np.exp(-0.5 * ((hours - middle) / width) ** 2))
    return height


def along(length_px: np.ndarray | float, angle_deg: np.ndarray | float) -> np.ndarray:
    """(n, 2) vectors from lengths and angles in the sensor's frame, x towards y."""
    angle = np.deg2rad(angle_deg)
    return np.stack(np.broadcast_arrays(length_px * np.cos(angle), length_px * np.sin(angle)), -1)
