"""Frames written by general-purpose libraries come back value for value; damaged ones say so.

The writers are the outside: astropy for FITS, tifffile for TIFF and DNG, Pillow for pictures.
Integers of up to 24 bits are exact in float32, so those comparisons are exact.
"""

import bz2
import gzip
import os
import struct
import warnings
from pathlib import Path

import numpy as np
import pytest
import tifffile
from astropy.io import fits
from PIL import Image

from classifier.errors import FrameError, UsageError
from classifier.frame import find_frames, is_frame_file, plateau_adu, read_frame
from classifier.rig import Rig

SHAPE = (40, 56)


def picture(dtype, low, high, seed=0, shape=SHAPE):
    """Random values over the whole range given, with both ends present."""
    rng = np.random.default_rng(seed)
    if np.dtype(dtype).kind == "f":
        values = rng.uniform(low, high, shape).astype(dtype)
    else:
        values = rng.integers(low, high, shape, dtype=dtype, endpoint=True)
    values.flat[0], values.flat[-1] = low, high
    return values


def write(path, data, **cards):
    hdu = fits.PrimaryHDU(data)
    hdu.header.update(cards)
    hdu.writeto(path)
    return path


def read(path, **options):
    """read_frame with every promise of the Frame checked."""
    frame = read_frame(path, **options)
    assert frame.pixels.dtype == np.float32 and frame.pixels.dtype.isnative
    assert frame.pixels.ndim == 2 and frame.pixels.flags.c_contiguous
    assert np.isfinite(frame.pixels).all()
    if frame.planes is not None:
        assert frame.planes.dtype == np.float32 and frame.planes.shape[1:] == frame.pixels.shape
    return frame


# --- FITS ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("dtype", "low", "high", "bits"),
    [
        (np.uint8, 0, 255, 8),
        (np.int16, -32768, 32767, 16),
        (np.uint16, 0, 65535, 16),
        (np.int32, -(2**24), 2**24, 32),
        (np.uint32, 0, 2**24, 32),
        (np.int64, -(2**24), 2**24, 64),
        (np.float32, -1e4, 1e5, None),
        (np.float64, -1e4, 1e5, None),
    ],
)
def test_fits_numbers_come_back(tmp_path, dtype, low, high, bits):
    data = picture(dtype, low, high)
    frame = read(write(tmp_path / "a.fits", data))
    np.testing.assert_array_equal(frame.pixels, data.astype(np.float32))
    assert frame.facts.bit_depth == bits


def fits_bytes(stored, zero):
    """A FITS file by hand: 80-character cards, 2880-byte blocks, big-endian data (FITS 4.0)."""
    height, width = len(stored), len(stored[0])
    cards = [
        "SIMPLE  =                    T",
        "BITPIX  =                   16",
        "NAXIS   =                    2",
        f"NAXIS1  = {width:20d}",
        f"NAXIS2  = {height:20d}",
        f"BZERO   = {zero:20d}",
        "END",
    ]
    head = "".join(card.ljust(80) for card in cards).encode().ljust(2880, b" ")
    body = b"".join(struct.pack(f">{width}H", *row) for row in stored)
    return head + body.ljust(2880, b"\0")


def test_unsigned_16_bit_bytes_of_the_standard(tmp_path):
    """FITS 4.0, 4.4.2.5 with BZERO 32768: bytes 8000 mean 0, 0000 mean 32768, 7FFF mean 65535."""
    path = tmp_path / "bytes.fits"
    path.write_bytes(fits_bytes([[0x8000, 0x0000], [0x7FFF, 0x8001]], 32768))
    assert read(path).pixels.tolist() == [[0.0, 32768.0], [65535.0, 1.0]]


def test_full_range_of_unsigned_32_bits_is_rounded_once(tmp_path):
    data = picture(np.uint32, 0, 2**32 - 1)
    frame = read(write(tmp_path / "a.fits", data))
    np.testing.assert_array_equal(frame.pixels, data.astype(np.float64).astype(np.float32))


def test_scale_and_zero_of_the_header(tmp_path):
    data = picture(np.int16, -3000, 3000)
    hdu = fits.PrimaryHDU(data.astype(np.float64) * 0.25 + 3713.5)
    hdu.scale("int16", bscale=0.25, bzero=3713.5)
    hdu.writeto(tmp_path / "a.fits")
    expected = data.astype(np.float64) * 0.25 + 3713.5
    np.testing.assert_array_equal(read(tmp_path / "a.fits").pixels, expected.astype(np.float32))


def test_pieces_of_a_large_picture_fit_together(tmp_path):
    # More values than one piece of the 64-bit path, and no multiple of it.
    data = picture(np.int32, 0, 2**24, shape=(1031, 1037))
    np.testing.assert_array_equal(read(write(tmp_path / "a.fits", data)).pixels, data)


def test_blank_integers_are_filled_and_told(tmp_path):
    data = picture(np.int16, 100, 200)
    data[3, 4] = data[5, 6] = -32768
    frame = read(write(tmp_path / "a.fits", data, BLANK=-32768))
    assert 100 <= frame.pixels[3, 4] <= 200
    assert frame.notes == ("2 blank pixels were filled with the median",)


@pytest.mark.parametrize("suffix", [".fits", ".FIT", ".fts"])
def test_suffixes_in_any_case(tmp_path, suffix):
    data = picture(np.uint16, 0, 65535)
    np.testing.assert_array_equal(read(write(tmp_path / f"a{suffix}", data)).pixels, data)


@pytest.mark.parametrize(
    ("suffix", "pack"), [(".fits.gz", gzip.compress), (".fit.bz2", bz2.compress)]
)
def test_packed_files(tmp_path, suffix, pack):
    data = picture(np.uint16, 0, 65535)
    plain = write(tmp_path / "a.fits", data, EXPTIME=30.0)
    packed = tmp_path / f"b{suffix}"
    packed.write_bytes(pack(plain.read_bytes()))
    frame = read(packed)
    np.testing.assert_array_equal(frame.pixels, data)
    assert frame.facts.exposure_s == 30.0


@pytest.mark.parametrize("compression", ["RICE_1", "GZIP_1", "GZIP_2", "HCOMPRESS_1"])
@pytest.mark.parametrize("dtype", [np.uint8, np.int16, np.uint16, np.int32])
def test_tile_compressed_integers(tmp_path, compression, dtype):
    # HCOMPRESS is specified for values that leave it head room, hence 14 bits.
    data = picture(dtype, 0, min(np.iinfo(dtype).max, 16383))
    hdu = fits.CompImageHDU(data, compression_type=compression)
    hdu.header["EXPTIME"] = 12.0
    hdu.writeto(tmp_path / "a.fits.fz")
    frame = read(tmp_path / "a.fits.fz")
    np.testing.assert_array_equal(frame.pixels, data)
    assert frame.facts.exposure_s == 12.0
    assert frame.facts.bit_depth == 8 * np.dtype(dtype).itemsize


def test_tile_compressed_floats(tmp_path):
    rng = np.random.default_rng(3)
    data = rng.normal(1000.0, 10.0, (64, 64)).astype(np.float32)
    fits.CompImageHDU(data, compression_type="RICE_1", quantize_level=16).writeto(tmp_path / "a.fz")
    # quantize_level 16 means steps of noise / 16; with dither an error of up to half a step is
    # added, so two standard deviations / 16 is beyond any of it.
    np.testing.assert_allclose(read(tmp_path / "a.fz").pixels, data, rtol=0, atol=2 * 10.0 / 16)


def test_first_picture_may_be_an_extension_and_inherits_the_primary_header(tmp_path):
    primary = fits.PrimaryHDU()
    primary.header["EXPTIME"] = 60.0
    primary.header["FILTER"] = "L"
    data = picture(np.uint16, 0, 65535)
    first = fits.ImageHDU(data)
    first.header["FILTER"] = "Ha"
    table = fits.BinTableHDU.from_columns([fits.Column("x", "E", array=[1.0, 2.0])])
    fits.HDUList([primary, table, first, fits.ImageHDU(data[::-1])]).writeto(tmp_path / "a.fits")
    frame = read(tmp_path / "a.fits")
    np.testing.assert_array_equal(frame.pixels, data)
    assert (frame.facts.exposure_s, frame.facts.filter) == (60.0, "Ha")
    assert frame.notes == ("one more picture in the file was not read",)


@pytest.mark.parametrize("axis", [0, 2])
def test_three_planes_in_both_axis_orders(tmp_path, axis):
    planes = picture(np.uint16, 0, 65535, shape=(3, *SHAPE))
    path = write(tmp_path / "a.fits", np.moveaxis(planes, 0, axis), BAYERPAT="RGGB")
    frame = read(path)
    np.testing.assert_array_equal(frame.planes, planes)
    assert frame.planes.flags.c_contiguous
    # A mean of three 16-bit values: exact to one rounding of float32 (2^-24 relative) per step.
    np.testing.assert_allclose(frame.pixels, planes.mean(axis=0), rtol=4 * 2.0**-24)
    assert frame.facts.bayer is None  # three planes hold no mosaic, whatever the header kept


def test_equal_planes_are_a_mono_picture(tmp_path):
    data = picture(np.uint16, 0, 65535)
    frame = read(write(tmp_path / "a.fits", np.stack([data] * 3)))
    assert frame.planes is None
    np.testing.assert_array_equal(frame.pixels, data)
    almost = np.stack([data] * 3)
    almost[2, 33, 33] ^= 1  # off the coarse sample: only the full comparison sees it
    assert read(write(tmp_path / "b.fits", almost)).planes is not None


@pytest.mark.parametrize("shape", [(1, *SHAPE), (*SHAPE, 1), (1, 1, *SHAPE)])
def test_axes_of_length_one_are_dropped(tmp_path, shape):
    data = picture(np.uint16, 0, 65535)
    frame = read(write(tmp_path / "a.fits", data.reshape(shape)))
    np.testing.assert_array_equal(frame.pixels, data)


def test_nothing_leaks_to_the_terminal_and_the_file_is_closed(tmp_path, capfd):
    path = write(tmp_path / "a.fits", picture(np.uint16, 0, 65535), CTYPE1="RA---TAN")
    raw = path.read_bytes().replace(b"END" + b" " * 77, b"BAD CARD \x01 HERE".ljust(80), 1)
    path.write_bytes(raw[:2800] + b"END".ljust(80) + raw[2880:])
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        read(path)
        path.write_bytes(raw[:2000])
        with pytest.raises(FrameError):
            read_frame(path)
    assert capfd.readouterr() == ("", "")
    if Path("/proc/self/fd").is_dir():
        held = [str(fd.readlink()) for fd in Path("/proc/self/fd").iterdir() if fd.exists()]
        assert str(path) not in held


# --- colour mosaics -----------------------------------------------------------------------------


def mosaic(order, shape, red=300.0, green=900.0, blue=500.0, noise=5.0, seed=1):
    """A sky of three colours behind the 2 x 2 cell `order`, read from array row 0 on."""
    height, width = shape
    level = {"R": red, "G": green, "B": blue}
    y, x = np.mgrid[:height, :width]
    cell = np.array([[level[order[0]], level[order[1]]], [level[order[2]], level[order[3]]]])
    return cell[y % 2, x % 2] + np.random.default_rng(seed).normal(0, noise, shape)


@pytest.mark.parametrize("height", [60, 61])
@pytest.mark.parametrize("order", ["RGGB", "BGGR", "GRBG", "GBRG"])
def test_row_order_of_the_mosaic(tmp_path, order, height):
    """The picture from the top is `order`; turned over on writing, its array order is what the
    colours at array [0,0], [0,1], [1,0], [1,1] then are."""
    top_down = mosaic(order, (height, 64)).astype(np.uint16)
    bottom_up = top_down[::-1]
    for data, row_order in ((top_down, "TOP-DOWN"), (bottom_up, "BOTTOM-UP")):
        path = write(tmp_path / f"{row_order}.fits", data, BAYERPAT=order, ROWORDER=row_order)
        frame = read(path)
        # Read the colours off the pixels themselves: R 300, G 900, B 500.
        levels = [np.median(data[y::2, x::2]) for y in (0, 1) for x in (0, 1)]
        seen = "".join("RBG"[int(np.argmin(np.abs(np.array([300, 500, 900]) - v)))] for v in levels)
        assert frame.facts.bayer == seen
        assert not frame.notes


def test_pixels_contradict_a_mosaic_turned_over(tmp_path):
    data = mosaic("GBRG", (60, 64)).astype(np.uint16)
    frame = read(write(tmp_path / "a.fits", data, BAYERPAT="RGGB"))
    assert frame.facts.bayer == "GBRG"
    assert "RGGB" in frame.notes[0]


def test_grey_sky_leaves_the_header_alone(tmp_path):
    for seed in range(20):
        data = mosaic("RGGB", (60, 64), 900, 900, 900, seed=seed).astype(np.uint16)
        path = write(tmp_path / f"{seed}.fits", data, BAYERPAT="RGGB")
        assert read(path).facts.bayer == "RGGB"


# --- camera raw ---------------------------------------------------------------------------------


def write_dng(path, data, active=None):
    """A minimal DNG 1.4 with a mosaic RGGB counted from the active area, as the format says."""
    top, left, bottom, right = active or (0, 0, *data.shape)
    tags = [
        (50706, "B", 4, (1, 4, 0, 0), False),  # DNGVersion
        (33421, "H", 2, (2, 2), False),  # CFARepeatPatternDim
        (33422, "B", 4, (0, 1, 1, 2), False),  # CFAPattern: red green green blue
        (50708, "s", 0, "Test Camera", False),  # UniqueCameraModel
        (50721, "2i", 9, (1, 1, 0, 1, 0, 1, 0, 1, 1, 1, 0, 1, 0, 1, 0, 1, 1, 1), False),
        (50714, "H", 1, 512, False),  # BlackLevel
        (50717, "H", 1, 16000, False),  # WhiteLevel
        (50829, "I", 4, (top, left, bottom, right), False),  # ActiveArea
        (33434, "2I", 1, (30, 1), False),  # ExposureTime
        (272, "s", 0, "Test Camera", False),  # Model
        (36867, "s", 0, "2024:05:01 22:10:00", False),  # DateTimeOriginal
    ]
    tifffile.imwrite(path, data, photometric=32803, extratags=tags, metadata=None)
    return path


@pytest.mark.parametrize("origin", [(0, 0), (1, 0), (0, 1), (3, 5)])
def test_raw_mosaic_is_the_visible_area(tmp_path, origin):
    top, left = origin
    data = np.full((120, 160), 600, np.uint16)
    visible = mosaic("RGGB", (120 - top, 160 - left), 1000, 2000, 3000, noise=20)
    data[top:, left:] = visible.astype(np.uint16)
    frame = read(write_dng(tmp_path / "a.dng", data, (top, left, 120, 160)))
    # The raw library may take off one more row or column to start on an even one.
    height, width = frame.pixels.shape
    assert 0 <= 120 - top - height <= 2 and 0 <= 160 - left - width <= 2
    np.testing.assert_array_equal(frame.pixels, data[120 - height :, 160 - width :])
    levels = [np.median(frame.pixels[y::2, x::2]) for y in (0, 1) for x in (0, 1)]
    assert frame.facts.bayer == "".join("RGB"[round(v / 1000) - 1] for v in levels)
    facts = frame.facts
    assert (facts.offset_adu, facts.saturation_adu, facts.exposure_s) == (512.0, 16000.0, 30.0)
    assert facts.camera == "Test Camera" and facts.bit_depth == 14
    assert facts.time_utc is None and facts.time_local.isoformat() == "2024-05-01T22:10:00"


@pytest.mark.parametrize("content", [b"not a raw file at all", b"II*\0" + b"\0" * 300])
def test_bad_raw_file(tmp_path, content):
    path = tmp_path / "a.cr2"
    path.write_bytes(content)
    with pytest.raises(FrameError, match=r"camera raw file cannot be decoded .* copy it again"):
        read_frame(path)


# --- TIFF and pictures --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("dtype", "high"), [(np.uint8, 255), (np.uint16, 65535), (np.float32, 1.0)]
)
@pytest.mark.parametrize("compression", [None, "zlib"])
def test_tiff_mono(tmp_path, dtype, high, compression):
    data = picture(dtype, 0, high)
    tifffile.imwrite(tmp_path / "a.tif", data, compression=compression)
    np.testing.assert_array_equal(read(tmp_path / "a.tif").pixels, data.astype(np.float32))


@pytest.mark.parametrize("planar", ["contig", "separate"])
def test_tiff_colour(tmp_path, planar):
    planes = picture(np.uint16, 0, 65535, shape=(3, *SHAPE))
    data = planes if planar == "separate" else np.moveaxis(planes, 0, 2)
    tifffile.imwrite(tmp_path / "a.tiff", data, photometric="rgb", planarconfig=planar)
    np.testing.assert_array_equal(read(tmp_path / "a.tiff").planes, planes)


def test_tiff_with_white_at_zero_is_turned_to_light(tmp_path):
    data = picture(np.uint16, 0, 65535)
    tifffile.imwrite(tmp_path / "a.tif", data, photometric="miniswhite")
    np.testing.assert_array_equal(read(tmp_path / "a.tif").pixels, 65535 - data)


def test_tiff_packed_by_lzw(tmp_path):
    data = picture(np.uint16, 0, 65535)
    Image.fromarray(data).save(tmp_path / "a.tif", compression="tiff_lzw")
    np.testing.assert_array_equal(read(tmp_path / "a.tif").pixels, data)


@pytest.mark.parametrize("suffix", [".png", ".bmp"])
def test_eight_bit_pictures(tmp_path, suffix):
    colour = picture(np.uint8, 0, 255, shape=(*SHAPE, 3))
    Image.fromarray(colour).save(tmp_path / f"colour{suffix}")
    frame = read(tmp_path / f"colour{suffix}")
    np.testing.assert_array_equal(frame.planes, np.moveaxis(colour, 2, 0))
    assert "8-bit" in frame.notes[0]
    grey = colour[..., 0]
    Image.fromarray(np.stack([grey] * 3, axis=2)).save(tmp_path / f"grey{suffix}")
    frame = read(tmp_path / f"grey{suffix}")
    assert frame.planes is None
    np.testing.assert_array_equal(frame.pixels, grey)


def test_sixteen_bit_grey_png(tmp_path):
    data = picture(np.uint16, 0, 65535)
    Image.fromarray(data).save(tmp_path / "a.png")
    np.testing.assert_array_equal(read(tmp_path / "a.png").pixels, data)


def test_alpha_is_left_aside(tmp_path):
    data = picture(np.uint8, 0, 255, shape=(*SHAPE, 4))
    Image.fromarray(data).save(tmp_path / "a.png")
    np.testing.assert_array_equal(read(tmp_path / "a.png").planes, np.moveaxis(data[..., :3], 2, 0))


def test_jpeg_with_exif(tmp_path):
    exif = Image.Exif()
    exif[272] = "Test Camera"
    exif.get_ifd(0x8769).update({33434: 30.0, 34855: 1600, 33437: 4.0, 37386: 200.0})
    exif.get_ifd(0x8769).update({36867: "2024:05:01 23:30:00", 36881: "+02:00"})
    yy, xx = np.mgrid[: SHAPE[0], : SHAPE[1]]
    data = (xx * 3 + yy).astype(np.uint8)
    Image.fromarray(data).save(tmp_path / "a.jpg", quality=95, exif=exif)
    frame = read(tmp_path / "a.jpg")
    # A smooth ramp at quality 95: quantisation steps of a few levels.
    np.testing.assert_allclose(frame.pixels, data, rtol=0, atol=4)
    facts = frame.facts
    assert (facts.exposure_s, facts.focal_mm, facts.aperture_mm) == (30.0, 200.0, 50.0)
    assert (facts.gain_setting, facts.camera, facts.bit_depth) == (1600.0, "Test Camera", 8)
    assert facts.time_utc.isoformat() == "2024-05-01T21:30:00+00:00"


# --- what is wrong with a file ------------------------------------------------------------------


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
    frame = read(write(tmp_path / "a.fits", data, PEDESTAL=-500))
    assert frame.facts.offset_adu is None and "500 ADU" in frame.notes[0]
    frame = read(write(tmp_path / "b.fits", data, PEDESTAL=-100))
    assert frame.facts.offset_adu == 100.0 and not frame.notes


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


def test_unclipped_light_has_no_clipped_level():
    rng = np.random.default_rng(2)
    for scale in (20.0, 300.0, 2000.0):
        pixels = rng.exponential(scale, (300, 300)).round().astype(np.float32)
        assert plateau_adu(pixels) is None
    assert plateau_adu(np.full((50, 50), 32.0, np.float32)) is None


# --- finding frames -----------------------------------------------------------------------------


def touch(folder, *names):
    for name in names:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"x")


def names(found):
    return [name for _, name in found]


def test_folders_are_searched_through_and_sorted(tmp_path):
    touch(tmp_path, "b.FITS", "a.fit", "deep/er/c.fits.gz", "deep/d.NEF", "notes.txt", "x.gz")
    touch(tmp_path, "._a.fit", "Z.Fz", "t.tar.bz2")
    found = find_frames([tmp_path])
    assert names(found) == ["Z.Fz", "a.fit", "b.FITS", "deep/d.NEF", "deep/er/c.fits.gz"]
    assert all((tmp_path / name) == path for path, name in found)


def test_several_folders_prefix_their_names(tmp_path):
    touch(tmp_path, "one/lights/a.fits", "two/lights/a.fits", "ha/a.fits")
    folders = [tmp_path / "one/lights", tmp_path / "two/lights", tmp_path / "ha"]
    assert names(find_frames(folders)) == ["lights/a.fits", "lights-2/a.fits", "ha/a.fits"]


def test_a_file_given_twice_is_listed_once(tmp_path):
    touch(tmp_path, "night/lights/a.fits", "night/b.fits")
    found = find_frames([tmp_path / "night", tmp_path / "night/lights"])
    assert names(found) == ["night/b.fits", "night/lights/a.fits"]


def test_single_files_and_missing_folders(tmp_path):
    touch(tmp_path, "a.fits", "readme.txt")
    assert find_frames([tmp_path / "a.fits"]) == [(tmp_path / "a.fits", "a.fits")]
    assert find_frames([]) == []
    with pytest.raises(UsageError, match=r"no folder .*nowhere"):
        find_frames([tmp_path / "nowhere"])
    with pytest.raises(UsageError, match="neither a folder nor a frame"):
        find_frames([tmp_path / "readme.txt"])


def test_links_to_folders_are_not_followed(tmp_path):
    touch(tmp_path, "night/a.fits", "other/b.fits")
    try:
        (tmp_path / "night/link").symlink_to(tmp_path / "other", target_is_directory=True)
        (tmp_path / "night/loop").symlink_to(tmp_path / "night", target_is_directory=True)
        (tmp_path / "night/gone.fits").symlink_to(tmp_path / "nowhere.fits")
    except OSError:
        pytest.skip("this system or user may not make links")
    # A link that leads nowhere stays in the list, so that the report can say so.
    assert names(find_frames([tmp_path / "night"])) == ["a.fits", "gone.fits"]
    with pytest.raises(FrameError, match="no longer there"):
        read_frame(tmp_path / "night/gone.fits")


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may read all")
def test_a_closed_folder_is_listed_itself(tmp_path):
    touch(tmp_path, "open/a.fits", "closed/b.fits")
    (tmp_path / "closed").chmod(0)
    try:
        assert names(find_frames([tmp_path])) == ["closed", "open/a.fits"]
    finally:
        (tmp_path / "closed").chmod(0o700)


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        *[(f"a{suffix}", True) for suffix in (".fit", ".fits", ".fts", ".fits.fz", ".fit.gz")],
        *[(f"a{suffix}", True) for suffix in (".FTS.BZ2", ".cr2", ".CR3", ".nef", ".arw", ".dng")],
        *[(f"a{suffix}", True) for suffix in (".raf", ".orf", ".rw2", ".pef", ".tif", ".TIFF")],
        *[(f"a.b.c{suffix}", True) for suffix in (".png", ".jpg", ".jpeg", ".bmp")],
        *[(f"a{suffix}", False) for suffix in (".gz", ".tar.gz", ".txt", "", ".fits.txt", ".ser")],
    ],
)
def test_suffix_tells_a_frame(name, expected):
    assert is_frame_file(Path(name)) is expected


# --- real frames --------------------------------------------------------------------------------


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
