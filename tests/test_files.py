"""Rendered frames on disk: the FITS standard, facts that come back, truth, nothing written over."""

from dataclasses import replace

import numpy as np
import pytest
import torch
from astropy.io import fits

from classifier.errors import UsageError
from classifier.facts import facts_from_header
from classifier.vocabulary import FAULTS, INDEX, KEYS
from synth.files import read_truth, write_frames, write_sub
from synth.generate import Batch, render_batch
from synth.render import render

SIDE = 256


@pytest.fixture(scope="module")
def batch() -> Batch:
    """Three colour frames: a trail, dust and a reflection in each."""
    return render_batch(7, 0, 3, SIDE, SIDE, faults=("trail", "dust_motes", "reflection"), cfa=True)


def raw(batch: Batch) -> Batch:
    """The batch as if its files came straight from the camera, with known pixels."""
    pixels = torch.arange(SIDE * SIDE, dtype=torch.float32).reshape(1, SIDE, SIDE).repeat(3, 1, 1)
    return replace(
        batch, pixels=pixels, scenes=[replace(s, processing="raw") for s in batch.scenes]
    )


def test_sixteen_bit_layout(batch, tmp_path):
    path = tmp_path / "a.fits"
    write_sub(path, raw(batch), 0, seed=7, index=0)
    data = path.read_bytes()
    assert len(data) % 2880 == 0  # FITS 4.0, section 3.1: blocks of 2880 bytes
    start = data.find(b"END" + b" " * 77)
    block = data[(start // 2880 + 1) * 2880 :]
    stored = np.frombuffer(block[: SIDE * SIDE * 2], dtype=">i2")
    # FITS 4.0, section 5.2.5: unsigned 16-bit as signed with BZERO 32768, big-endian:
    # 0 is stored as 0x8000, 32768 as 0, 65535 as 0x7FFF.
    assert stored[0] == -32768
    assert stored[32768] == 0
    assert stored[65535] == 32767
    header = fits.getheader(path)
    assert (header["BITPIX"], header["BZERO"], header["BSCALE"]) == (16, 32768, 1)


def test_facts_come_back(batch, tmp_path):
    path = tmp_path / "a.fits"
    write_sub(path, raw(batch), 1, seed=7, index=0, target="Some Field")
    header = fits.getheader(path)
    facts = facts_from_header(header, (SIDE, SIDE))
    scene = batch.scenes[1]
    camera, telescope = scene.rig.camera, scene.rig.telescope
    assert facts.kind == "light"
    assert facts.target == "Some Field"
    assert facts.exposure_s == pytest.approx(scene.exposure_s, rel=1e-3)
    assert facts.gain_e_adu == pytest.approx(float(batch.physical["gain_e_adu"][1]), rel=1e-6)
    assert facts.offset_adu == pytest.approx(float(batch.physical["offset_adu"][1]), rel=1e-6)
    assert facts.read_noise_e == pytest.approx(camera.read_noise_e, rel=1e-6)
    assert facts.scale_arcsec == pytest.approx(scene.rig.scale_arcsec, rel=1e-3)
    assert facts.focal_ratio == pytest.approx(telescope.focal_ratio, rel=1e-3)
    assert facts.bayer == camera.cfa
    assert facts.binning == camera.binning
    assert facts.bit_depth == 16
    assert facts.time_utc is not None
    assert header["NCSEED"] == 7
    assert "trail" in header["NCRECIPE"]


def test_unknown_facts_are_left_out_and_floats_stay_floats(batch, tmp_path):
    unknown = raw(batch)
    physical = {k: v.clone() for k, v in batch.physical.items()}
    physical["gain_e_adu"][0] = float("nan")
    physical["offset_adu"][0] = 0.0
    unknown = replace(unknown, physical=physical, pixels=0.5 * unknown.pixels)
    write_sub(tmp_path / "a.fits", unknown, 0, seed=7, index=0)
    data, header = fits.getdata(tmp_path / "a.fits", header=True)
    assert header["BITPIX"] == -32
    assert data[0, 1] == 0.5
    assert "EGAIN" not in header
    assert "BLKLEVEL" not in header


def test_truth_comes_back(batch, tmp_path):
    write_frames(batch, tmp_path, seed=7, index=0)
    rows = read_truth(tmp_path)
    assert [row["file"] for row in rows] == [f"sub_{i:05}.fits" for i in (1, 2, 3)]
    for i, row in enumerate(rows):
        for key in KEYS:
            expected = float(batch.strength[i, INDEX[key]])
            assert row[key] == pytest.approx(expected, rel=1e-4, nan_ok=True)
        # The vocabulary's own ramp says which labels a strength earns.
        labels = {f.key for f in FAULTS if f.target(row[f.key]) == 1.0}
        assert set(row["labels"].split()) == labels
        x0, y0, x1, y1 = row["where"]["trail"][0]
        assert -1 <= min(x0, x1, y0, y1) <= max(x0, x1, y0, y1) <= SIDE
        assert len(row["where"]["dust_motes"]) == len(batch.scenes[i].dust.motes)
        # Arcs and fans are no discs.
        ghosts = [g for g in batch.scenes[i].reflection.ghosts if g.half_sector_deg == 180]
        assert len(row["where"].get("reflection", [])) == len(ghosts)


def test_nothing_is_written_over(batch, tmp_path):
    (tmp_path / "a.fits").write_bytes(b"mine")
    with pytest.raises(UsageError, match=r"a\.fits exists already"):
        write_sub(tmp_path / "a.fits", batch, 0, seed=7, index=0)
    assert (tmp_path / "a.fits").read_bytes() == b"mine"


def test_render_repeats_itself(tmp_path):
    first = render(tmp_path / "a", 2, ["trail"], SIDE, SIDE, seed=3)
    second = render(tmp_path / "b", 2, ["trail"], SIDE, SIDE, seed=3)
    third = render(tmp_path / "c", 2, ["trail"], SIDE, SIDE, seed=4)
    assert len(first) == 2
    for a, b, c in zip(first, second, third, strict=True):
        assert a.read_bytes() == b.read_bytes()
        assert (fits.getdata(a) != fits.getdata(c)).any()
    assert all("trail" in row["recipe"] for row in read_truth(tmp_path / "a"))


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"count": 0}, "0 frames cannot be rendered"),
        ({"faults": ["comet"]}, "'comet' is no fault that can be rendered"),
        ({"width_px": 10}, "10 x 256 px cannot be rendered"),
    ],
)
def test_render_refuses_what_cannot_be(tmp_path, changes, message):
    wanted = {"count": 1, "faults": [], "width_px": SIDE, "height_px": SIDE} | changes
    with pytest.raises(UsageError, match=message):
        render(tmp_path / "a", **wanted)
    assert not (tmp_path / "a").exists()


def test_render_refuses_a_folder_with_something_in_it(tmp_path):
    (tmp_path / "mine.txt").write_text("keep me")
    with pytest.raises(UsageError, match="is not an empty folder"):
        render(tmp_path, 1, [], SIDE, SIDE)
    assert [p.name for p in tmp_path.iterdir()] == ["mine.txt"]
