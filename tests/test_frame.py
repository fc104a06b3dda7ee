"""What is done to every frame whatever its file, every kind of damage, and the real frames."""

import gzip
import warnings
from pathlib import Path

import numpy as np
import pytest
import tifffile
from astropy.io import fits
from frame_files import SHAPE, picture, read, write
from PIL import Image

from classifier.errors import FrameError
from classifier.frame import find_frames, plateau_adu, read_frame
from classifier.rig import Rig


def damaged(tmp_path, name):
    """A bad file of each kind."""
    path = tmp_path / "bad.fits"
    data = picture(np.float32, 0, 100)
    if name == "empty":
        path.write_bytes(b"")
    elif name == "text":
        path.write_text("Lights were taken on Monday. " * 200)
    elif name == "headerless":
        path.write_bytes(picture(np.uint16, 0, 65535).tobytes())
    elif name == "cut":
        whole = write(tmp_path / "whole.fits", data).read_bytes()
        path.write_bytes(whole[: 2880 + 1000])
    elif name == "cut header":
        path.write_bytes(write(tmp_path / "whole.fits", data).read_bytes()[:400])
    elif name == "cut gzip":
        path = tmp_path / "bad.fits.gz"
        path.write_bytes(gzip.compress(write(tmp_path / "whole.fits", data).read_bytes())[:-900])
    elif name == "cut tiles":
        hdu = fits.CompImageHDU(picture(np.uint16, 0, 65535, shape=(200, 200)))
        hdu.writeto(tmp_path / "whole.fz")
        path = tmp_path / "bad.fits.fz"
        path.write_bytes((tmp_path / "whole.fz").read_bytes()[:20000])
    elif name == "row":
        write(path, data[0])
    elif name == "cube":
        write(path, picture(np.float32, 0, 100, shape=(7, *SHAPE)))
    elif name == "table":
        fits.BinTableHDU.from_columns([fits.Column("x", "E", array=[1.0])]).writeto(path)
    elif name == "all NaN":
        write(path, np.full(SHAPE, np.nan, np.float32))
    elif name == "most infinite":
        data[: SHAPE[0] * 3 // 4] = np.inf
        write(path, data)
    elif name == "constant":
        write(path, np.full(SHAPE, 1000, np.uint16))
    elif name == "cut TIFF":
        tifffile.imwrite(tmp_path / "whole.tif", picture(np.uint16, 0, 65535))
        path = tmp_path / "bad.tif"
        path.write_bytes((tmp_path / "whole.tif").read_bytes()[:-1000])
    elif name == "text PNG":
        path = tmp_path / "bad.png"
        path.write_text("no picture")
    elif name == "cut JPEG":
        Image.fromarray(picture(np.uint8, 0, 255)).save(tmp_path / "whole.jpg")
        path = tmp_path / "bad.jpg"
        path.write_bytes((tmp_path / "whole.jpg").read_bytes()[:-1000])
    elif name == "folder":
        path.mkdir()
    elif name == "gone":
        pass
    elif name == "suffix":
        path = tmp_path / "bad.mov"
        path.write_bytes(b"film")
    return path


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("empty", r"empty \(0 bytes\); copy it again"),
        ("text", r"no FITS file: it begins with b'Lights were take'"),
        ("headerless", r"no FITS file: it begins with"),
        ("cut", r"cut short \(3880 of 11840 bytes are there\); copy it again"),
        ("cut header", r"damaged or cut short; copy it again"),
        ("cut gzip", r"damaged or cut short.*copy it again"),
        ("cut tiles", r"cut short \(20000 of \d+ bytes are there\); copy it again"),
        ("row", r"single row of 56 values, not a picture"),
        ("cube", r"array of 7 x 40 x 56, and a frame has one plane or three"),
        ("table", r"holds no picture"),
        ("all NaN", r"100 % of the pixels are NaN or infinite"),
        ("most infinite", r"75 % of the pixels are NaN or infinite"),
        ("constant", r"Every pixel has the same value \(1000\)"),
        ("cut TIFF", r"damaged or cut short .*copy it again"),
        ("text PNG", r"damaged or cut short .*copy it again"),
        ("cut JPEG", r"damaged or cut short .*copy it again"),
        ("folder", r"a folder, not a file"),
        ("gone", r"no longer there"),
        ("suffix", r"suffix '.mov' is not one of a frame; known are \.fit "),
    ],
)
def test_bad_files_say_what_is_wrong(tmp_path, name, message):
    with pytest.raises(FrameError, match=message) as caught:
        read_frame(damaged(tmp_path, name))
    text = str(caught.value)
    assert "\n" not in text and text.endswith(".") and str(tmp_path) not in text


def test_a_locked_file_says_so(tmp_path, monkeypatch):
    path = write(tmp_path / "a.fits", picture(np.uint16, 0, 65535))

    def refuse(*_args, **_options):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", refuse)
    with pytest.raises(FrameError, match="permission denied"):
        read_frame(path)


def test_missing_padding_does_no_harm(tmp_path):
    data = picture(np.uint16, 0, 65535)
    path = write(tmp_path / "a.fits", data)
    path.write_bytes(path.read_bytes()[: 2880 + data.nbytes])
    np.testing.assert_array_equal(read(path).pixels, data)


def test_a_few_bad_pixels_are_filled_with_the_median(tmp_path):
    data = picture(np.float32, 0, 100)
    data[1, 1], data[2, 2], data[3, 3] = np.nan, np.inf, -np.inf
    frame = read(write(tmp_path / "a.fits", data))
    good = np.median(data[np.isfinite(data)])
    assert frame.pixels[1, 1] == frame.pixels[2, 2] == frame.pixels[3, 3] == good
    assert frame.notes == ("3 NaN or infinite pixels were filled with the median",)


def test_huge_finite_values_are_left_alone(tmp_path):
    data = picture(np.float32, 1e37, 3e38)  # their sum overflows float32, they themselves do not
    frame = read(write(tmp_path / "a.fits", data))
    np.testing.assert_array_equal(frame.pixels, data)
    assert not frame.notes


def test_a_constant_bias_is_named_by_its_header_not_refused(tmp_path):
    frame = read(write(tmp_path / "a.fits", np.full(SHAPE, 32, np.uint16), IMAGETYP="Bias Frame"))
    assert frame.facts.kind == "bias"


def test_offset_that_cannot_be_is_dropped(tmp_path):
    data = picture(np.uint16, 90, 110)
    for name, card in (("offset_adu", "BLKLEVEL"), ("pedestal_adu", "PEDESTAL")):
        frame = read(write(tmp_path / f"{card}-a.fits", data, **{card: (500, "[ADU]")}))
        assert getattr(frame.facts, name) is None and "500 ADU" in frame.notes[0]
        frame = read(write(tmp_path / f"{card}-b.fits", data, **{card: (100, "[ADU]")}))
        assert getattr(frame.facts, name) == 100.0 and not frame.notes


def test_rig_overrides_header(tmp_path):
    path = write(tmp_path / "a.fits", picture(np.uint16, 0, 65535), EGAIN=1.5, RDNOISE=8.0)
    facts = read(path, rig=Rig(gain_e_adu=0.25)).facts
    assert (facts.gain_e_adu, facts.read_noise_e) == (0.25, 8.0)


@pytest.mark.parametrize("top", [255, 1023, 4095, 16383, 65535, 13583])
def test_clipped_level_shows(top):
    rng = np.random.default_rng(2)
    pixels = rng.exponential(top / 8, (300, 300)).round().astype(np.float32)
    # exp(-8) of 90000 pixels, some 30, lie beyond the top and are clipped onto it.
    assert plateau_adu(np.minimum(pixels, top)) == top


@pytest.mark.parametrize(("at_top", "level"), [(1, None), (2, None), (3, 65520.0), (9, 65520.0)])
def test_a_few_pixels_at_full_scale_are_enough(at_top, level):
    pixels = np.full((100, 100), 1000.0, np.float32)
    pixels.flat[:50] = 65000.0
    pixels.flat[:at_top] = 65520.0  # 12 bits in the upper part of 16
    assert plateau_adu(pixels) == level


def test_unclipped_light_has_no_clipped_level():
    rng = np.random.default_rng(2)
    for scale in (20.0, 300.0, 2000.0):
        pixels = rng.exponential(scale, (300, 300)).round().astype(np.float32)
        assert plateau_adu(pixels) is None
    assert plateau_adu(np.full((50, 50), 32.0, np.float32)) is None


def test_every_real_frame_reads(real_frames):
    found = find_frames([real_frames])
    assert len(found) >= 50
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        frames = {name.rsplit("/", 1)[1]: read(path) for path, name in found}
    # Plate scales known from the instruments' own pages: DECam 0.263, HSC 0.168, SDSS 0.396.
    for start, scale in (("cutout_c4d", 0.263), ("cutout_HSC", 0.168), ("cutout_frame-i", 0.396)):
        frame = next(frame for name, frame in frames.items() if name.startswith(start))
        # 2 %: optical distortion over these wide fields.
        assert frame.facts.scale_arcsec == pytest.approx(scale, rel=0.02)
    assert frames["dark_0.fits"].facts.kind == "dark"
    assert frames["science_0.fits"].facts.saturation_adu == 4094.0
