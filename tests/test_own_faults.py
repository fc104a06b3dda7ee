"""A good frame's own slight faults, and shapes of too few stars, are neither put in nor scored."""

import csv

import numpy as np
import pytest
from astropy.io import fits

from classifier.vocabulary import INDEX
from synth.strength import SHAPE_KEYS
from training.good_frames import LEAVE_STARS, GoodFrame, good_frames, pack, unpack
from training.grafts import grafted

GAIN, READ_E, OFFSET, SIDE = 1.2, 3.0, 500, 256


def sub(
    stars: int = 40,
    shapes: tuple[float, ...] = (1.62, 1.27),
    comet: float = 0.0,
    sky_e: np.ndarray | float = 400.0,
    hot: int = 0,
) -> np.ndarray:
    """Whole ADU of a sky with stars. shapes: Gaussian sigmas in px along x and y; comet: share of
    a star's light that lies 3 px aside in a wider disc."""
    rng = np.random.default_rng(1)
    y, x = np.mgrid[:SIDE, :SIDE]
    light = np.zeros((SIDE, SIDE)) + sky_e
    for _ in range(stars):
        cx, cy = rng.uniform(12, SIDE - 12, 2)
        flux = 5e3 * rng.uniform(2, 30)
        for share, dx, wide in ((1 - comet, 0.0, 1.0), (comet, 3.0, 1.6)):
            a, b = shapes[0] * wide, shapes[1] * wide
            form = np.exp(-((x - cx - dx) ** 2) / (2 * a**2) - (y - cy) ** 2 / (2 * b**2))
            light += share * flux * form / (2 * np.pi * a * b)
    electrons = rng.poisson(light) + rng.normal(0, READ_E, light.shape)
    electrons.ravel()[rng.choice(light.size, hot, replace=False)] += 3000
    return np.round(electrons / GAIN + OFFSET).clip(0, 65535).astype(np.uint16)


ROUND = (1.27, 1.27)
ACROSS = np.linspace(-1, 1, SIDE)
FROM_CENTRE2 = (ACROSS[None] ** 2 + ACROSS[:, None] ** 2) / 2
FRAMES = {
    "fine": (sub(shapes=ROUND), set()),
    "few": (sub(8, ROUND), set(SHAPE_KEYS)),
    "long": (sub(shapes=(1.55, 1.27)), {"drift", "vibration"}),  # 1.22
    "lopsided": (sub(shapes=ROUND, comet=0.08), {"miscollimation"}),
    # 0.04 %: between clean (0.025 %) and the level that counts (0.05 %).
    "hot": (sub(shapes=ROUND, hot=26), {"hot_pixels"}),
    "slope": (sub(shapes=ROUND, sky_e=400 * (1 + 0.06 * ACROSS[None])), {"gradient"}),  # 12 %
    "corners": (sub(shapes=ROUND, sky_e=400 * (1 - 0.22 * FROM_CENTRE2)), {"vignetting"}),
}


def write(path, pixels):
    hdu = fits.PrimaryHDU(pixels)
    cards = {"EGAIN": GAIN, "RDNOISE": READ_E, "OFFSET": OFFSET, "EXPTIME": 60.0}
    for keyword, value in cards.items():
        hdu.header[keyword] = value
    hdu.writeto(path)


@pytest.fixture(scope="module")
def frames(tmp_path_factory) -> dict[str, GoodFrame]:
    top = tmp_path_factory.mktemp("own")
    for name, (pixels, _) in FRAMES.items():
        write(top / f"{name}.fits", pixels)
    return {frame.path.stem: frame for frame in good_frames(top)[0]}


@pytest.mark.parametrize("name", FRAMES)
def test_the_measures_tell_what_a_frame_has_itself(name, frames):
    barred, wanted = frames[name].barred, FRAMES[name][1]
    assert wanted <= barred
    # A comet is long as well as lopsided.
    also = {"drift", "vibration"} if name == "lopsided" else set()
    assert barred <= wanted | also


@pytest.mark.parametrize("name", ["few", "hot"])
def test_what_is_barred_is_neither_put_in_nor_scored(name, frames):
    barred = [INDEX[key] for key in frames[name].barred]
    others = [i for i in INDEX.values() if i not in [*barred, INDEX["low_signal"]]]
    rows = np.concatenate([s.strength for s in grafted([frames[name]], seed=2, count=24)])
    assert np.isnan(rows[:, barred]).all()
    assert not np.isnan(rows[0, others]).any()


def test_barred_faults_are_packed_too(frames, tmp_path):
    pack([frames["few"], frames["hot"]], tmp_path / "sources.npz")
    few, hot = unpack(tmp_path / "sources.npz")
    assert (few.barred, hot.barred) == (frames["few"].barred, frames["hot"].barred)


def test_labels_that_leave_the_stars_alone_are_barred_where_such_frames_are_asked_for(tmp_path):
    rows = [("dim.fits", "vignetting"), ("moved.fits", "vignetting|drift"), ("good.fits", "")]
    for number, (name, _) in enumerate(rows):
        write(tmp_path / name, sub(30 + number, ROUND))
    with (tmp_path / "manifest.csv").open("w", newline="") as stream:
        csv.writer(stream).writerows([("file", "labels"), *rows])
    assert [f.path.name for f in good_frames(tmp_path)[0]] == ["good.fits"]
    more = {f.path.name: f.barred for f in good_frames(tmp_path, None, LEAVE_STARS)[0]}
    assert more == {"dim.fits": {"vignetting"}, "good.fits": frozenset()}
