"""The rig file and the rig options: what is read, what is refused, and who has the last word."""

import math
from dataclasses import fields

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from classifier.errors import RigError
from classifier.facts import Facts
from classifier.rig import Rig, read_rig


def write(tmp_path, text):
    path = tmp_path / "rig.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def test_a_full_rig_file(tmp_path):
    text = """
    gain_e_adu = 0.25  # electrons per ADU
    read_noise_e = 1.5
    offset_adu = 500
    pixel_um = 3.76
    focal_mm = 530
    aperture_mm = 106
    """
    expected = Rig(0.25, 1.5, 500, 3.76, 530, 106)
    assert read_rig(write(tmp_path, text)) == expected
    # Some editors put a byte order mark in front of UTF-8.
    assert read_rig(write(tmp_path, b"\xef\xbb\xbf" + text.encode())) == expected


def test_an_empty_rig_file_changes_nothing(tmp_path):
    facts = Facts(exposure_s=30.0, gain_e_adu=1.0)
    assert read_rig(write(tmp_path, "")).apply(facts) is facts


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("gian = 1.0", "unknown key 'gian'; the keys are gain_e_adu, read_noise_e, offset_adu, "),
        ("[camera]\ngain_e_adu = 1", "unknown key 'camera'"),
        ("gain_e_adu 1", "not valid TOML"),
        ("gain_e_adu = 'much'", "gain_e_adu must be a number, not 'much'"),
        ("gain_e_adu = true", "gain_e_adu must be a number, not True"),
        ("gain_e_adu = [1]", "gain_e_adu must be a number"),
        ("gain_e_adu = 0", "gain_e_adu must be above 0, not 0"),
        ("focal_mm = -5", "focal_mm must be above 0, not -5"),
        ("focal_mm = nan", "focal_mm must be above 0, not nan"),
        ("focal_mm = inf", "focal_mm must be above 0, not inf"),
        ("offset_adu = -1", "offset_adu must be 0 or more, not -1"),
        (b"\xff\xfe\x00", "not UTF-8"),
    ],
)
def test_bad_rig_files_say_what_is_wrong(tmp_path, text, message):
    with pytest.raises(RigError, match=r"rig\.toml") as caught:
        read_rig(write(tmp_path, text))
    assert message in str(caught.value)


def test_a_missing_rig_file(tmp_path):
    with pytest.raises(RigError, match=r"cannot be read .*check the path"):
        read_rig(tmp_path / "none.toml")


def test_zero_offset_is_allowed():
    assert Rig(offset_adu=0).apply(Facts(offset_adu=100.0)).offset_adu == 0


def test_rig_overrides_what_it_knows_only():
    facts = Facts(gain_e_adu=1.0, read_noise_e=8.0, focal_mm=500.0, exposure_s=30.0)
    changed = Rig(gain_e_adu=0.25, aperture_mm=100.0).apply(facts)
    assert changed == Facts(0 + 30.0, 0.25, None, 8.0, focal_mm=500.0, aperture_mm=100.0)


def test_the_cameras_pixel_grows_with_the_binning():
    rig = Rig(pixel_um=3.76, focal_mm=530.0)
    assert rig.apply(Facts(binning=2)).pixel_um == 7.52
    assert rig.apply(Facts()).pixel_um == 3.76
    # Binning by two doubles the angle of a pixel.
    ratio = rig.apply(Facts(binning=2)).scale_arcsec / rig.apply(Facts(binning=1)).scale_arcsec
    assert ratio == pytest.approx(2.0, rel=1e-12)


def test_the_users_optics_win_over_the_headers_coordinates():
    solved = Facts(pixel_um=3.76, focal_mm=1000.0, wcs_scale_arcsec=9.9)
    exact = math.degrees(math.atan(3.76e-3 / 530.0)) * 3600.0
    assert Rig(focal_mm=530.0).apply(solved).scale_arcsec == pytest.approx(exact, rel=2e-6)
    assert Rig(gain_e_adu=1.0).apply(solved).scale_arcsec == 9.9
    # With half of the optics there is nothing better than the header's.
    assert Rig(focal_mm=530.0).apply(Facts(wcs_scale_arcsec=9.9)).scale_arcsec == 9.9


def test_options_go_over_the_file():
    rig = Rig(gain_e_adu=0.25, focal_mm=530.0).updated(focal_mm=400.0, gain_e_adu=None)
    assert rig == Rig(gain_e_adu=0.25, focal_mm=400.0)
    with pytest.raises(RigError, match="focal_mm"):
        rig.updated(focal_mm=-1.0)


def test_every_rig_fact_is_a_fact():
    assert {field.name for field in fields(Rig)} <= {field.name for field in fields(Facts)}


@settings(max_examples=100, deadline=None)
@given(st.dictionaries(st.sampled_from([f.name for f in fields(Rig)]), st.floats()))
def test_a_rig_is_sound_or_refused(values):
    try:
        rig = Rig(**values)
    except RigError as error:
        assert any(name in str(error) for name in values)
    else:
        assert all(math.isfinite(value) and value >= 0 for value in rig.known().values())
