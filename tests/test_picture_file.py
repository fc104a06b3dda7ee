"""Camera raw, TIFF and pictures, written by tifffile and Pillow, come back value for value."""

import numpy as np
import pytest
import tifffile
from frame_files import SHAPE, mosaic, picture, read
from PIL import Image

from classifier.errors import FrameError
from classifier.frame import read_frame


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
