"""Masters against rendered subs whose faults are known: what calibration removes, what it leaves,
and which masters do not belong to the subs."""

from dataclasses import replace

import calibration_rig as rig
import numpy as np
import pytest
from numpy.testing import assert_allclose

from classifier.calibration import calibration_of, depth_pct
from classifier.calibration_text import run_texts, sub_texts
from classifier.errors import UsageError
from classifier.frame import read_frame
from classifier.masters import MasterFiles, calibrated, read_masters
from classifier.measures import measure_frame
from synth import shading
from synth.defects import hot_pixels

MOVED = shading.DustMotes((replace(rig.MOTE, x_px=240.0, y_px=190.0),))


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    """Paths by name: two subs and masters that fit them or do not."""
    folder = tmp_path_factory.mktemp("calibration")
    rng = np.random.default_rng(1)
    stars = rig.stars(rng)
    dark, glowing = rig.dark_scene(), rig.dark_scene(amp_glow=rig.GLOW)
    dark_adu = rig.exposed(dark, rng, 6)
    flat_adu = rig.exposed(rig.flat_scene(), rng)
    made = {
        "sub": (rig.exposed(rig.scene(stars=stars), rng), "Light", {}),
        "glow": (rig.exposed(rig.scene(stars=stars, amp_glow=rig.GLOW), rng), "Light", {}),
        "dark": (dark_adu, "Dark", {}),
        "glowing dark": (rig.exposed(glowing, rng, 6), "Dark", {}),
        "other dark": (
            rig.exposed(rig.dark_scene(field_seed=99), rng, 4),
            "Dark",
            {"CCD-TEMP": 5.0, "EXPTIME": 300.0},
        ),
        "warm dark": (
            rig.exposed(rig.dark_scene(hot_e=9000.0), rng, 4),
            "Dark",
            {"CCD-TEMP": 0.0},
        ),
        "turned dark": (dark_adu[::-1].copy(), "Dark", {}),
        "small dark": (dark_adu[:300].copy(), "Dark", {}),
        "flat": (flat_adu, "Flat", {}),
        "moved flat": (rig.exposed(rig.flat_scene(dust=MOVED), rng), "Flat", {}),
        "even flat": (
            rig.exposed(rig.flat_scene(dust=None, vignetting=None), rng),
            "Flat",
            {"FILTER": "R"},
        ),
        "empty": (np.full((rig.HIGH, rig.WIDE), 500.0), "Dark", {}),
    }
    return {
        name: rig.write(folder / f"{name.replace(' ', '_')}.fits", pixels, kind, **cards)
        for name, (pixels, kind, cards) in made.items()
    }


@pytest.fixture(scope="module")
def looked(files):
    """Frames and their measures by name."""
    frames = {name: read_frame(files[name]) for name in ("sub", "glow")}
    return {name: (frame, measure_frame(frame)) for name, frame in frames.items()}


@pytest.fixture(scope="module")
def tried(files, looked):
    """(sub, dark, flat) -> what calibration leaves."""

    def found(sub: str, dark: str | None, flat: str | None):
        masters = MasterFiles(files[dark] if dark else None, files[flat] if flat else None)
        return calibration_of(*looked[sub], read_masters(masters))

    return found


def test_arithmetic_is_sub_less_dark_over_flat(files, looked):
    """Against plain arithmetic in float64, the usual reduction of CCD data."""
    frame = looked["sub"][0]
    masters = read_masters(MasterFiles(files["dark"], files["flat"]))
    dark, flat = (read_frame(files[name]).pixels.astype(float) for name in ("dark", "flat"))
    light = flat - rig.OFFSET
    expected = (frame.pixels - dark) / (light / np.median(light))
    assert_allclose(calibrated(frame, masters), expected, rtol=1e-4, atol=0.01)
    alone = calibrated(frame, read_masters(MasterFiles(None, files["flat"])))
    expected = (frame.pixels - rig.OFFSET) / (light / np.median(light))
    assert_allclose(alone, expected, rtol=1e-4, atol=0.01)


def test_what_the_masters_of_the_rig_leave(tried):
    found = tried("sub", "dark", "flat")
    hot = found["hot_pixels"]
    places, electrons = hot_pixels(rig.scene())
    noise_e = (430.0 + rig.READ_NOISE**2) ** 0.5
    places = np.unique(places[electrons > 10 * noise_e])
    # The search leaves six pixels along each edge out; pairs hide a few more.
    y, x = places // rig.WIDE, places % rig.WIDE
    inside = (np.minimum(x, rig.WIDE - 1 - x) >= 6) & (np.minimum(y, rig.HIGH - 1 - y) >= 6)
    true_pct = 100 * inside.sum() / (rig.HIGH * rig.WIDE)
    assert hot["before"] == pytest.approx(true_pct, rel=0.06)
    assert hot["shared"] > 0.97 and hot["after"] < 0.01 and hot["turned"] == ""
    dust = found["dust_motes"]
    assert np.hypot(dust["x"] - rig.MOTE.x_px, dust["y"] - rig.MOTE.y_px) < 4
    depth = 100 * shading.mote_depth(rig.MOTE)
    assert dust["before"] == pytest.approx(depth, rel=0.25)
    assert dust["flat"] == pytest.approx(depth, rel=0.15)
    assert abs(dust["after"]) < max(3 * dust["error"], 0.8)
    fall = found["vignetting"]
    true_fall = shading.vignetting_pct(rig.scene().vignetting, rig.WIDE, rig.HIGH)
    assert fall["before"] == pytest.approx(true_fall, abs=3.5)
    assert fall["master"] == pytest.approx(true_fall, abs=2.5)
    assert abs(fall["after"]) < 1.5
    texts = sub_texts(found)
    for key in ("hot_pixels", "dust_motes", "vignetting"):
        assert "removes this" in texts[key], key
    run = run_texts([found] * 5)
    assert run[0].startswith("Your dark fits") and run[1].startswith("Your flat fits")


def test_a_dark_of_another_sensor_does_not_belong(tried):
    found = tried("sub", "other dark", None)
    assert found["hot_pixels"]["shared"] < 0.05
    assert found["hot_pixels"]["after"] == pytest.approx(found["hot_pixels"]["before"], rel=0.05)
    assert "does not remove this: it holds" in sub_texts(found)["hot_pixels"]
    (told,) = run_texts([found] * 3)
    assert told.startswith("Your dark does not belong to these subs")
    assert "15 degrees warmer" in told and "300 s and not 60 s" in told


def test_a_warmer_dark_holds_the_pixels_but_takes_too_much(tried):
    found = tried("sub", "warm dark", None)
    hot = found["hot_pixels"]
    # Three times as warm a dark leaves twice of every hot pixel below the sky.
    assert hot["shared"] > 0.97 and hot["holes"] == pytest.approx(hot["before"], rel=0.15)
    assert "takes too much" in sub_texts(found)["hot_pixels"]
    (told,) = run_texts([found] * 3)
    assert told.startswith("Your dark takes too much") and told.endswith(
        "it was 10 degrees warmer."
    )
    assert tried("sub", "dark", None)["hot_pixels"]["holes"] < 0.01


def test_subs_that_were_calibrated_already_are_asked_about(files, looked, tried):
    frame = looked["sub"][0]
    dark = read_frame(files["dark"]).pixels
    facts = replace(frame.facts, offset_adu=0.0)
    done = replace(frame, pixels=frame.pixels - dark, facts=facts)
    found = calibration_of(
        done, measure_frame(done), read_masters(MasterFiles(files["dark"], None))
    )
    (told,) = run_texts([found] * 3)
    assert told.endswith("are they calibrated already?")


def test_too_few_hot_pixels_judge_no_dark():
    hot = {"before": 0.001, "after": 0.001, "holes": 0.0, "shared": 0.1, "looked": 30, "turned": ""}
    (told,) = run_texts([{"dark": {"differs": []}, "flat": {"differs": []}, "hot_pixels": hot}])
    assert told.startswith("Your dark cannot be told")


def test_a_dark_stored_turned_over_is_recognised(tried):
    found = tried("sub", "turned dark", None)
    assert found["hot_pixels"]["turned"] == "upside down"
    assert "turned upside down" in run_texts([found])[0]
    assert "turned upside down it would match" in sub_texts(found)["hot_pixels"]


def test_a_flat_whose_dust_moved_does_not_belong(tried):
    found = tried("sub", "dark", "moved flat")
    dust = found["dust_motes"]
    assert dust["moved_px"] == pytest.approx(np.hypot(60, 40), abs=4)
    assert dust["after"] > 0.7 * dust["before"]
    foreign = found["foreign"]
    assert np.hypot(foreign["x"] - 240, foreign["y"] - 190) < 4
    told = run_texts([found] * 3)[1]
    assert told.startswith("Your flat does not belong to these subs")
    assert f"{dust['moved_px']:.0f} px away" in told and "that they do not have" in told


def test_a_flat_without_the_fall_off_does_not_belong(tried):
    found = tried("sub", "dark", "even flat")
    assert found["vignetting"]["after"] == pytest.approx(found["vignetting"]["before"], abs=1)
    assert "does not remove this" in sub_texts(found)["vignetting"]
    told = run_texts([found] * 3)[1]
    assert told.startswith("Your flat does not belong") and "through R and not V" in told
    assert "their corners lie 4" in told and "are left" in told


def test_glow_is_the_sensors_if_the_dark_has_it(tried):
    own = tried("glow", "glowing dark", "flat")["gradient"]
    assert own["before"] > 20 and own["master"] > 20 and own["after"] < 2
    assert "the sensor's own glow" in sub_texts(tried("glow", "glowing dark", "flat"))["gradient"]
    foreign = tried("glow", "dark", "flat")
    assert foreign["gradient"]["master"] < 0.5
    assert foreign["gradient"]["after"] > 0.7 * foreign["gradient"]["before"]
    assert "light from outside" in sub_texts(foreign)["gradient"]


def test_masters_of_another_size_cannot_be_used(tried):
    found = tried("sub", "small dark", "flat")
    assert found["unusable"]["why"] == "the dark is 512 x 300 pixels and the sub 512 x 384"
    assert run_texts([found]) == [
        "Your masters cannot be used on these subs: the dark is 512 x 300 pixels and the sub "
        "512 x 384."
    ]


def test_without_an_offset_a_flat_is_not_tried(files, looked):
    frame, measures = looked["sub"]
    blind = replace(frame, facts=replace(frame.facts, offset_adu=None))
    found = calibration_of(blind, measures, read_masters(MasterFiles(None, files["flat"])))
    assert "offset is unknown" in found["unusable"]["why"]


def test_a_dark_without_its_offset_is_recognised(tmp_path, files, looked):
    frame = looked["sub"][0]
    dark = read_frame(files["dark"]).pixels - rig.OFFSET
    bare = rig.write(tmp_path / "bare.fits", dark, "Dark")
    whole = calibrated(frame, read_masters(MasterFiles(files["dark"], None)))
    assert_allclose(calibrated(frame, read_masters(MasterFiles(bare, None))), whole, atol=0.01)


@pytest.mark.parametrize(
    "dark, flat, told",
    [
        ("flat", None, "--dark .* is a flat frame by its header"),
        (None, "dark", "--flat .* is a dark frame by its header"),
        ("empty", None, "holds the value 500 in every pixel"),
    ],
)
def test_a_wrong_master_is_refused_in_one_sentence(files, dark, flat, told):
    with pytest.raises(UsageError, match=told):
        read_masters(MasterFiles(files[dark] if dark else None, files[flat] if flat else None))


def test_a_flat_marked_as_a_light_is_used_and_told(tmp_path, files, looked):
    pixels = read_frame(files["flat"]).pixels
    flat = rig.write(tmp_path / "flat.fits", pixels, "Light")
    found = calibration_of(*looked["sub"], read_masters(MasterFiles(files["dark"], flat)))
    told = run_texts([found] * 3)[1]
    assert told.startswith("Your flat fits") and "marked as a light frame, though" in told


def test_a_missing_master_is_refused(tmp_path):
    with pytest.raises(UsageError, match=r"--dark .*gone\.fits cannot be used"):
        read_masters(MasterFiles(tmp_path / "gone.fits", None))


def test_depth_of_a_painted_shadow():
    """A disc 5 % darker than an even sky of 1,000 over an offset of 200."""
    from classifier.background import sky_picture

    y, x = np.indices((600, 900))
    sky = np.where(np.hypot(x - 400, y - 250) < 60, 950.0, 1000.0) + 200
    sky += np.random.default_rng(1).normal(0, 5, sky.shape)
    picture = sky_picture(sky.astype(np.float32), (0, 0, 900, 600), False)
    depth, error = depth_pct(picture, 200.0, 400.0, 250.0, 60.0)
    assert depth == pytest.approx(5.0, abs=max(4 * error, 0.05)) and error < 0.1
    assert np.isnan(depth_pct(picture, 200.0, 400.0, 250.0, 0.5)[0])


def test_nothing_to_say_without_masters():
    assert run_texts([{}, {}]) == [] and sub_texts({}) == {}


def test_a_flat_of_a_colour_sensor_is_even_in_each_plane(tmp_path):
    """Planes of a flat differ by the lamp's colour: dividing must not carry that into the sub."""
    rng = np.random.default_rng(2)
    level = np.tile([[20_000.0, 30_000.0], [30_000.0, 12_000.0]], (rig.HIGH // 2, rig.WIDE // 2))
    y, x = np.indices((rig.HIGH, rig.WIDE))
    shade = 1 - 0.3 * ((x / rig.WIDE - 0.5) ** 2 + (y / rig.HIGH - 0.5) ** 2)
    cards = {"BAYERPAT": "RGGB", "ROWORDER": "TOP-DOWN"}
    flat = np.rint(rng.normal(level * shade, 60) + rig.OFFSET)
    light = np.rint(rng.normal(level / 20 * shade, 5) + rig.OFFSET)
    masters = read_masters(MasterFiles(None, rig.write(tmp_path / "f.fits", flat, "Flat", **cards)))
    sub = read_frame(rig.write(tmp_path / "s.fits", light, "Light", **cards))
    assert sub.facts.bayer == "RGGB"
    done = calibrated(sub, masters)
    for row in (0, 1):
        for column in (0, 1):
            plane = done[row::2, column::2]
            wanted = np.median(level[row::2, column::2] / 20 * shade[row::2, column::2])
            assert np.median(plane) == pytest.approx(wanted, rel=0.004)
            # The shade is gone: corners as bright as the middle.
            assert plane[:40, :40].mean() == pytest.approx(plane[80:110, 110:150].mean(), rel=0.004)
