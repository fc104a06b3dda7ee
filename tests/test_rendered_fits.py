"""Rendered FITS files of every kind against astropy and the standard (FITS 4.0)."""

import warnings
from datetime import UTC, datetime

import numpy as np
import pytest
from astropy.io import fits
from astropy.time import Time
from frame_of_one_rig import camera, rig, scene

from synth.files import write_sub
from synth.generate import render_scenes
from synth.processing import CFA_KINDS, KINDS

CASES = [*((kind, None) for kind in KINDS), *((kind, "GBRG") for kind in CFA_KINDS)]
BEGIN = datetime(2026, 3, 21, 22, 15, 30, 250_000, tzinfo=UTC)


@pytest.fixture(scope="module", params=CASES, ids=lambda case: f"{case[0]} {case[1] or 'mono'}")
def rendered(request, tmp_path_factory):
    """A frame written to a file, and the pixels it was written from."""
    kind, cfa = request.param
    mine = rig(camera=camera(cfa=cfa, bits=12, gain_e_adu=2.0))
    batch = render_scenes([scene([(90, 80, 12.0)], rig=mine, processing=kind)], 3, 0)
    path = tmp_path_factory.mktemp("fits") / "a.fits"
    write_sub(path, batch, 0, seed=3, index=0, time_utc=BEGIN)
    return path, batch, kind, cfa


def test_astropy_finds_nothing_to_mend(rendered):
    path = rendered[0]
    assert path.stat().st_size % 2880 == 0
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        with fits.open(path) as file:
            file.verify("exception")
            assert file[0].header["SIMPLE"] is True
            assert file[0].header["NAXIS"] == 2


def test_pixels_come_back_exactly(rendered):
    path, batch, _, _ = rendered
    assert (fits.getdata(path) == batch.pixels[0].numpy()).all()


def test_every_card_is_80_printable_characters(rendered):
    raw = rendered[0].read_bytes()
    header = raw[: raw.find(b"END" + b" " * 77) + 80]
    assert len(header) % 80 == 0
    assert all(32 <= byte <= 126 for byte in header)
    keywords = [header[i : i + 8].decode().strip() for i in range(0, len(header), 80)]
    assert keywords[:5] == ["SIMPLE", "BITPIX", "NAXIS", "NAXIS1", "NAXIS2"]


def test_time_is_one_that_astropy_reads(rendered):
    header = fits.getheader(rendered[0])
    assert header["TIMESYS"] == "UTC"
    begin = Time(header["DATE-OBS"], format="isot", scale="utc")
    assert abs((begin - Time(BEGIN)).to_value("s")) < 1e-3


def test_layout_of_whole_numbers(rendered):
    # Unsigned 16 bits: BITPIX 16 with BZERO 32768 (2^15); 8 bits are unsigned as they are; floats
    # have no scale.
    path, batch, kind, _ = rendered
    header = fits.getheader(path)
    pixels = batch.pixels[0].numpy()
    whole = pixels.min() >= 0 and pixels.max() <= 65535 and not np.mod(pixels, 1).any()
    if not whole:
        assert header["BITPIX"] == -32 and "BZERO" not in header
    elif header["BITPIX"] == 16:
        assert header["BZERO"] == 32768 and header["BSCALE"] == 1
    else:
        assert header["BITPIX"] == 8 and pixels.max() <= 255 and kind == "eight_bit"


def test_mosaic_is_named_where_there_is_one(rendered):
    path, _, kind, cfa = rendered
    header = fits.getheader(path)
    has_mosaic = cfa is not None and kind not in ("interpolated", "unnamed", "picture")
    assert header.get("BAYERPAT") == (cfa if has_mosaic else None)
