"""FITS written by astropy, or by hand after the standard, comes back value for value.

Integers of up to 24 bits are exact in float32, so those comparisons are exact.
"""

import bz2
import gzip
import struct
import warnings
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from frame_files import SHAPE, picture, read, write

from classifier.errors import FrameError
from classifier.frame import read_frame


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


def test_large_integers_are_not_rounded_before_the_offset(tmp_path):
    # 2^24 + 1 is no float32; rounded first, it would come out as 2^24 - 1.
    data = np.full(SHAPE, 2**24 + 1, np.int32)
    data[0, 0] = 5
    path = write(tmp_path / "a.fits", data)
    with fits.open(path, mode="append", do_not_scale_image_data=True) as opened:
        opened[0].header["BZERO"] = -1
        opened.writeto(tmp_path / "b.fits")
    pixels = read(tmp_path / "b.fits").pixels
    assert (pixels[0, 0], pixels[1, 1]) == (4.0, 2.0**24)


def test_scale_and_zero_of_the_header(tmp_path):
    data = picture(np.int16, -3000, 3000)
    hdu = fits.PrimaryHDU(data.astype(np.float64) * 0.25 + 3713.5)
    hdu.scale("int16", bscale=0.25, bzero=3713.5)
    hdu.writeto(tmp_path / "a.fits")
    expected = data.astype(np.float64) * 0.25 + 3713.5
    np.testing.assert_array_equal(read(tmp_path / "a.fits").pixels, expected.astype(np.float32))


def test_pieces_of_a_large_picture_fit_together(tmp_path):
    # More values than one piece of the 64-bit path, and no multiple of it.
    data = picture(np.uint32, 0, 2**24, shape=(1031, 1037))
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
    with warnings.catch_warnings(record=True) as leaked:
        warnings.simplefilter("always")
        read(path)
        path.write_bytes(path.read_bytes()[:-4000])
        with pytest.raises(FrameError):
            read_frame(path)
    assert not leaked and capfd.readouterr() == ("", "")
    if Path("/proc/self/fd").is_dir():
        held = [str(fd.readlink()) for fd in Path("/proc/self/fd").iterdir() if fd.exists()]
        assert str(path) not in held
