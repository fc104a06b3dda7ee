"""The faults put into galsim's subs: strong and clear ones, three to ten times the level from which
each counts in README's table, so that a model that is any good names them first.

Every maker takes a rig and a random generator and gives a `Sub`. Nothing here knows how the
project itself draws the fault: motions are sums and lines of galsim's own profiles, optics are its
aberrations and a pupil drawn here, clouds a random field with the slope of turbulence.
"""

from collections.abc import Callable

import galsim
import numpy as np
from galsim_sub import HEIGHT, READ_NOISE_E, WIDTH, Rig, Sub
from scipy import ndimage

Y, X = np.mgrid[:HEIGHT, :WIDTH].astype(float)
AWAY = np.hypot((X - WIDTH / 2) / (WIDTH / 2), (Y - HEIGHT / 2) / (HEIGHT / 2)) / 2**0.5


def drift(rig: Rig, rng: np.random.Generator) -> Sub:
    """A line of even light: L^2 / 12 on top of the star's own variance; elongation 1.9."""
    sigma_px = star_px(rig) / 2.3548
    line = galsim.Box(np.sqrt(12 * (1.9**2 - 1)) * sigma_px, 0.05)
    return Sub(motion=line.rotate(rng.uniform(0, 180) * galsim.degrees))


def vibration(rig: Rig, rng: np.random.Generator) -> Sub:
    """A sine of 1.3 FWHM amplitude: the star spends its time at the two ends."""
    phase = np.linspace(0, np.pi, 25)
    way = 1.3 * star_px(rig) * np.cos(phase)
    return Sub(motion=_dwells(way, np.zeros(25), np.ones(25), rng.uniform(0, np.pi)))


def guiding_loss(rig: Rig, rng: np.random.Generator) -> Sub:
    """Three dwells of unlike length joined by slews at a right angle, 4 FWHM in all."""
    step = 2.0 * star_px(rig)
    slew = np.linspace(0, step, 8)[1:-1]
    x = np.concatenate(([0, step, step], slew, np.full(6, step)))
    y = np.concatenate(([0, 0, step], np.zeros(6), slew))
    share = np.concatenate(([0.45, 0.25, 0.22], np.full(12, 0.08 / 12)))
    return Sub(motion=_dwells(x, y, share, rng.normal(0, 0.1)))


def defocus(rig: Rig, rng: np.random.Generator) -> Sub:
    """A disc or ring five FWHM across: 2 sqrt 3 waves rms of Noll's term put 8 N W020 um."""
    blur_um = 5 * star_px(rig) * rig.pixel_um
    edge_waves = blur_um / (8 * rig.focal_mm / rig.aperture_mm) / 0.55
    return Sub(aberrations={4: float(rng.choice([-1, 1])) * edge_waves / (2 * 3**0.5)})


def miscollimation(rig: Rig, rng: np.random.Generator) -> Sub:
    """Coma whose tail is 3.5 FWHM long: 6 N W131 with W131 = 3 sqrt 8 waves rms (geometry)."""
    tail_um = 3.5 * star_px(rig) * rig.pixel_um
    rms_waves = tail_um / (6 * rig.focal_mm / rig.aperture_mm * 0.55 * 3 * 8**0.5)
    turn = rng.uniform(0, 2 * np.pi)
    return Sub(aberrations={7: rms_waves * np.sin(turn), 8: rms_waves * np.cos(turn)})


def bloated_stars(rig: Rig, rng: np.random.Generator) -> Sub:
    """Twice the usual seeing."""
    return Sub(seeing=2.2)


def clouds(rig: Rig, rng: np.random.Generator) -> Sub:
    """One magnitude lost on average, in patches with Kolmogorov's slope in two dimensions (-11/3
    in power), lit from below."""
    fy, fx = np.fft.fftfreq(HEIGHT)[:, None], np.fft.rfftfreq(WIDTH)[None]
    slope = np.maximum(np.hypot(fx, fy), 0.5 / WIDTH) ** (-11 / 6)
    slope[0, 0] = 0
    white = np.fft.rfft2(rng.standard_normal((HEIGHT, WIDTH)))
    patches = np.fft.irfft2(white * slope, s=(HEIGHT, WIDTH))
    loss_mag = np.maximum(1.0 + 0.45 * patches / patches.std(), 0.05)
    return Sub(loss_mag=loss_mag, glow=0.9 * (1 - 10 ** (-0.4 * loss_mag)))


def trail(rig: Rig, rng: np.random.Generator) -> Sub:
    """A satellite from edge to edge, its middle 1.5 times the noise of a pixel: S/N some 60."""
    angle = rng.uniform(0.15, 1.4)
    across = (X - WIDTH * rng.uniform(0.35, 0.65)) * np.sin(angle) - (
        Y - HEIGHT * rng.uniform(0.35, 0.65)
    ) * np.cos(angle)
    section = np.exp(-0.5 * (across * 2.3548 / star_px(rig)) ** 2)
    noise_e = np.sqrt(rig.sky_e + READ_NOISE_E**2)
    return Sub(glow=1.5 * noise_e / rig.sky_e * section)


def hot_pixels(rig: Rig, rng: np.random.Generator) -> Sub:
    """0.4 % of the pixels over 10 sigma."""
    return Sub(hot=4e-3)


def dust_motes(rig: Rig, rng: np.random.Generator) -> Sub:
    """Seven rings of one size, the deepest taking 14 %."""
    passed = np.ones((HEIGHT, WIDTH))
    for depth in (0.14, 0.12, 0.10, 0.08, 0.06, 0.05, 0.04):
        x, y = rng.uniform(0.08, 0.92) * WIDTH, rng.uniform(0.1, 0.9) * HEIGHT
        away = np.hypot(X - x, Y - y)
        ring = (away < 27) & (away > 27 * max(rig.obstruction, 0.15))
        passed *= 1 - depth * ndimage.gaussian_filter(ring.astype(float), 3.0)
    return Sub(passed=passed)


def vignetting(rig: Rig, rng: np.random.Generator) -> Sub:
    """Corners 55 % below the centre."""
    return Sub(passed=1 - 0.55 * AWAY**2.5)


def gradient(rig: Rig, rng: np.random.Generator) -> Sub:
    """A sky that rises by 80 % from one corner to the other."""
    turn = rng.uniform(0, 2 * np.pi)
    slope = (X / WIDTH - 0.5) * np.cos(turn) + (Y / HEIGHT - 0.5) * np.sin(turn)
    return Sub(glow=0.8 * (slope - slope.min()) / np.ptp(slope))


def low_signal(rig: Rig, rng: np.random.Generator) -> Sub:
    """So short that the sky holds half a squared read noise, a sixth of what counts."""
    return Sub(exposure=0.5 * READ_NOISE_E**2 / rig.sky_e)


def reflection(rig: Rig, rng: np.random.Generator) -> Sub:
    """The ghost of a bright star that 3 % of its light makes: a disc of 15 % of the sky with the
    pupil's hole, its star within it but off its middle."""
    x, y = WIDTH * rng.uniform(0.3, 0.7), HEIGHT * rng.uniform(0.3, 0.7)
    radius, turn = rng.uniform(80, 130), rng.uniform(0, 2 * np.pi)
    away = np.hypot(X - x - 0.5 * radius * np.cos(turn), Y - y - 0.5 * radius * np.sin(turn))
    disc = (away < radius) & (away > radius * rig.obstruction)
    ghost = 0.15 * ndimage.gaussian_filter(disc.astype(float), 1.5)
    return Sub(glow=ghost, bright=((x, y, rig.sky_e * ghost.sum() / 0.03),))


def diffraction_spikes(rig: Rig, rng: np.random.Generator) -> Sub:
    """Two cables across the pupil, off its middle: uneven spikes on bright stars."""
    # So fine that the picture, its side lambda over a sample, is wider than the stamp.
    samples, wide = 768, 1.2
    axis = ((np.arange(samples) + 0.5) / samples * 2 - 1) * wide
    v, u = np.meshgrid(axis, axis, indexing="ij")
    radius = np.hypot(u, v)
    open_ = (radius < 1) & (radius > rig.obstruction)
    turn = rng.uniform(0.2, 1.3)
    # Fifty degrees apart: no regular spider makes that.
    for angle, place, half in ((turn, 0.3, 0.04), (turn + 0.87, -0.2, 0.025)):
        open_ &= np.abs(u * np.sin(angle) - v * np.cos(angle) - place) > half
    diameter_m = rig.aperture_mm / 1000
    pupil = galsim.Aperture(
        diam=diameter_m,
        lam=550.0,
        pupil_plane_im=galsim.Image(open_.astype(float)),
        pupil_plane_scale=wide * diameter_m / samples,
    )
    return Sub(pupil=pupil, bright=((WIDTH * 0.4, HEIGHT * 0.55, 8e7),))


def bayer_grid(rig: Rig, rng: np.random.Generator) -> Sub:
    """A line of hydrogen on a colour sensor: green and blue see 4 and 3 %."""
    return Sub(response=(1.0, 0.04, 0.04, 0.03))


MAKERS: dict[str, Callable[[Rig, np.random.Generator], Sub]] = {
    maker.__name__: maker
    for maker in (
        hot_pixels,
        dust_motes,
        vignetting,
        clouds,
        vibration,
        drift,
        defocus,
        trail,
        bloated_stars,
        miscollimation,
        diffraction_spikes,
        gradient,
        guiding_loss,
        low_signal,
        bayer_grid,
        reflection,
    )
}


def star_px(rig: Rig) -> float:
    """FWHM of a good star: seeing, diffraction 1.03 lambda / D and 0.7 px of the pixel, squared."""
    return float(np.sqrt(rig.fwhm_px**2 + (1.03 * rig.lambda_over_d_px) ** 2 + 0.49))


def _dwells(x: np.ndarray, y: np.ndarray, share: np.ndarray, turn: float) -> galsim.GSObject:
    """Points of light at these places, about their common centre, turned by an angle."""
    share = share / share.sum()
    x, y = x - (x * share).sum(), y - (y * share).sum()
    cos, sin = np.cos(turn), np.sin(turn)
    point = galsim.Gaussian(sigma=0.05)
    return galsim.Sum(
        [
            point.withFlux(s).shift(cos * a - sin * b, sin * a + cos * b)
            for a, b, s in zip(x, y, share, strict=True)
        ]
    )
