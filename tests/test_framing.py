"""Framing against transforms known from outside: astropy's world coordinates, galsim's pictures,
scikit-image's polygons; and what the command tells of them."""

import json
from itertools import pairwise

import numpy as np
import pytest
from astropy.io import fits
from astropy.wcs import WCS
from painted_sky import as_frame
from typer.testing import CliRunner

from classifier.cli import app
from classifier.evidence import NO, UNKNOWN, YES
from classifier.field_stars import field_stars, small_picture
from classifier.framing import (
    Framing,
    StarField,
    Unmatched,
    area_costs,
    clipped,
    corners,
    framed,
    framing_evidence,
    framing_set,
    polygon_area,
    shared_area,
    turning_deg_per_h,
)
from classifier.framing_text import framing_json, says, turn_advice

SIZE = (900, 1200)


def world(angle_deg, scale_arcsec=1.5, mirrored=False, ra=40.0, dec=35.0, size=SIZE):
    """A tangential projection whose pixel axes lie turned by the angle."""
    wcs = WCS(naxis=2)
    wcs.wcs.ctype = ["RA---TAN", "DEC--TAN"]
    wcs.wcs.crval = [ra, dec]
    wcs.wcs.crpix = [(size[1] + 1) / 2, (size[0] + 1) / 2]
    angle, step = np.radians(angle_deg), scale_arcsec / 3600
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    flip = np.diag([1.0, -1.0 if mirrored else 1.0])
    wcs.wcs.cd = np.diag([-step, step]) @ turn @ flip
    return wcs


def field_of(wcs, size=SIZE, seed=0, noise_px=0.15):
    """Stars of one piece of sky as this projection shows them."""
    sky = np.random.default_rng(77)
    ra, dec = sky.uniform(39.2, 40.8, 2500), sky.uniform(34.3, 35.7, 2500)
    flux = sky.pareto(1.0, 2500)
    x, y = wcs.all_world2pix(ra, dec, 0)
    rng = np.random.default_rng(seed)
    flux = flux * np.exp(rng.normal(0, 0.2, len(flux)))
    inside = (x > 0) & (x < size[1] - 1) & (y > 0) & (y < size[0] - 1) & (rng.random(2500) < 0.8)
    stars = np.column_stack((x, y, flux))[inside]
    stars[:, :2] += rng.normal(0, noise_px, (len(stars), 2))
    return StarField(f"sub {seed}", stars[np.argsort(-stars[:, 2])][:250], size)


@pytest.mark.parametrize("angle_deg", [0.0, 0.2, -0.7, 12.3, 89.0, -45.0])
@pytest.mark.parametrize("other", [{}, {"scale_arcsec": 3.1}, {"mirrored": True}])
def test_turn_agrees_with_world_coordinates(angle_deg, other):
    """Both frames have one centre, so the angle between their pixel axes is exact."""
    framing = framed(field_of(world(angle_deg, **other), seed=1), field_of(world(0.0), seed=2))
    assert isinstance(framing, Framing)
    off = (framing.turn_deg - angle_deg + 90) % 180 - 90
    assert abs(off) < 0.02
    assert framing.mirrored is bool(other.get("mirrored"))
    assert framing.scale == pytest.approx(other.get("scale_arcsec", 1.5) / 1.5, rel=5e-4)
    assert np.hypot(*framing.shift_px) < 0.5


def test_shift_and_cover_agree_with_world_coordinates():
    there, here = world(0.0), world(1.0, ra=40.06, dec=35.05)
    framing = framed(field_of(here, seed=1), field_of(there, seed=2))
    middle = here.pixel_to_world_values((SIZE[1] - 1) / 2, (SIZE[0] - 1) / 2)
    x, y = there.world_to_pixel_values(*middle)
    expected = (float(x) - (SIZE[1] - 1) / 2, float(y) - (SIZE[0] - 1) / 2)
    assert framing.shift_px == pytest.approx(expected, abs=0.5)
    # The share of the reference's pixels that the sub's own projection puts inside the sub.
    rows, columns = np.mgrid[0 : SIZE[0] : 3, 0 : SIZE[1] : 3]
    u, v = here.world_to_pixel_values(*there.pixel_to_world_values(columns, rows))
    inside = (u > -0.5) & (u < SIZE[1] - 0.5) & (v > -0.5) & (v < SIZE[0] - 0.5)
    # A grid of 3 px tells an area to about half a step along the edges cut: 0.5 %.
    assert framing.covered == pytest.approx(inside.mean(), abs=0.005)
    assert framing.is_mismatch


def test_a_smaller_sensor_is_told():
    """The same scale on 600 x 800 px: 4/9 of the reference's field."""
    small = field_of(world(0.0, size=(600, 800)), size=(600, 800), seed=1)
    framing = framed(small, field_of(world(0.0), seed=2))
    assert framing.covered == pytest.approx(4 / 9, abs=0.003) and framing.is_mismatch
    assert says(framing, SIZE, 1.5) == "its field is 44 % as large as the reference's"


def test_half_turn_is_no_mismatch():
    framing = framed(field_of(world(180.1), seed=1), field_of(world(0.0), seed=2))
    assert framing.half_turn and not framing.is_mismatch
    assert abs(framing.turn_deg - 0.1) < 0.02
    assert "meridian" in says(framing, SIZE, 1.5)


@pytest.mark.parametrize(("angle_deg", "counts"), [(0.45, False), (0.55, True), (-0.55, True)])
def test_mismatch_counts_from_half_a_degree(angle_deg, counts):
    framing = framed(field_of(world(angle_deg), seed=1), field_of(world(0.0), seed=2))
    assert framing.is_mismatch is counts


@pytest.mark.parametrize(("part", "counts"), [(0.04, False), (0.06, True)])
def test_mismatch_counts_from_a_twentieth_not_covered(part, counts):
    """Shifted along x by 4 and 6 % of the width, not turned."""
    reference = field_of(world(0.0), seed=2)
    moved = reference.stars - np.array([part * SIZE[1], 0.0, 0.0])
    inside = moved[:, 0] > 0
    framing = framed(StarField("moved", moved[inside], SIZE), reference)
    assert framing.covered == pytest.approx(1 - part, abs=0.002)
    assert framing.is_mismatch is counts


def painted(galsim, stars, size, matrix, shift, seed, fwhm_px=3.0):
    """A picture by galsim: Moffat stars at matrix @ (x, y) + shift, sky 300, noise 5 ADU."""
    image = galsim.ImageF(size[1], size[0], xmin=0, ymin=0)
    star = galsim.Moffat(beta=3.5, fwhm=fwhm_px)
    for x, y, flux in stars:
        place = matrix @ np.array([x, y]) + shift
        stamp = star.withFlux(flux).drawImage(
            nx=33, ny=33, scale=1.0, center=galsim.PositionD(*place), dtype=np.float32
        )
        bounds = stamp.bounds & image.bounds
        if bounds.isDefined():
            image[bounds] += stamp[bounds]
    noise = np.random.default_rng(seed).normal(300.0, 5.0, size)
    return (image.array + noise).astype(np.float32)


@pytest.mark.parametrize(("angle_deg", "scale", "flip"), [(1.37, 1.0, 1), (-20.0, 0.5, -1)])
def test_turn_of_rendered_pictures(angle_deg, scale, flip):
    """Pictures from galsim, one turned, the other also binned and turned over."""
    galsim = pytest.importorskip("galsim")
    rng = np.random.default_rng(5)
    stars = np.column_stack((rng.uniform(-100, 800, (160, 2)), 2000 * (1 + rng.pareto(1.2, 160))))
    angle = np.radians(angle_deg)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    matrix = scale * np.diag([1.0, flip]) @ turn.T  # field -> sub
    size = (int(560 * scale), int(700 * scale))
    middle = np.array([350.0, 280.0])
    shift = np.array([size[1], size[0]]) / 2 - matrix @ (middle + np.array([15.0, -8.0]))
    reference = painted(galsim, stars, (560, 700), np.eye(2), np.zeros(2), 1)
    sub = painted(galsim, stars, size, matrix, shift, 2, fwhm_px=3.0 * max(scale, 0.7))
    fields = [StarField("", field_stars(as_frame(p)), p.shape) for p in (sub, reference)]
    framing = framed(*fields)
    assert isinstance(framing, Framing)
    # Centroids to about 0.05 px over 60 stars and 200 px: 0.002 degree; promised is 0.02.
    assert abs(framing.turn_deg - angle_deg) < 0.02
    assert framing.mirrored is (flip < 0)
    assert framing.scale == pytest.approx(1 / scale, rel=1e-3)


def test_large_mosaics_are_binned_without_losing_their_places():
    """2400 x 1800 px with a colour mosaic and hot pixels: stars stay where they are, hot pixels
    are no stars."""
    rng = np.random.default_rng(2)
    size = (1800, 2400)
    pixels = rng.normal(300, 5, size)
    pixels[::2, ::2] *= 1.3
    yy, xx = np.mgrid[-12:13, -12:13]
    places = rng.uniform(30, np.array(size)[::-1] - 30, (70, 2))
    for x, y in places:
        column, row = round(x), round(y)
        light = np.exp(-((xx - x + column) ** 2 + (yy - y + row) ** 2) / (2 * 1.3**2))
        pixels[row - 12 : row + 13, column - 12 : column + 13] += 2000 * light
    hot = rng.integers(20, 1780, (300, 2))
    pixels[hot[:, 0], hot[:, 1]] += 4000
    frame = as_frame(pixels, bayer="RGGB")
    small, factor = small_picture(frame.pixels, "RGGB")
    assert factor == 2 and small.shape == (900, 1200)
    stars = field_stars(frame)
    nearest = np.linalg.norm(places[:, None] - stars[None, :, :2], axis=2).min(1)
    assert (nearest < 0.5).mean() > 0.9
    assert 0.85 * len(places) < len(stars) < 1.1 * len(places)


def test_polygons_against_scikit_image():
    draw = pytest.importorskip("skimage.draw")
    rng = np.random.default_rng(1)
    for _ in range(10):
        quads = []
        for _ in range(2):
            angle = rng.uniform(0, 2 * np.pi)
            turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
            quads.append((corners((300, 400)) - [200, 150]) @ turn.T + rng.uniform(350, 450, 2))
        masks = [draw.polygon2mask((800, 800), quad) for quad in quads]
        common = clipped(quads[0], quads[1][::-1])
        # Rasters are off by half a pixel along the outline: 1400 px x 0.5 of some 100,000.
        assert polygon_area(common) == pytest.approx((masks[0] & masks[1]).sum(), abs=700)
        assert polygon_area(quads[0]) == pytest.approx(300 * 400)


def test_polygons_that_are_apart_share_nothing():
    far = corners((100, 100)) + 1000.0
    assert polygon_area(clipped(corners((100, 100)), far)) == 0.0


def placed(shift_x, shift_y=0.0):
    outline = corners((100, 200)) + np.array([shift_x, shift_y])
    covered = polygon_area(clipped(corners((100, 200)), outline)) / 20000
    return Framing("s", 0.0, 0.01, False, False, 1.0, (shift_x, shift_y), outline, covered, 50, 0.1)


def test_shared_area_and_what_each_sub_costs():
    """Shifted by +20, -10 and +10 of 200 px along x: all share 170; without the first 180."""
    subs = [placed(20.0), placed(-10.0), placed(10.0)]
    assert shared_area(subs, (100, 200)) == pytest.approx(0.85)
    assert area_costs(subs, (100, 200)) == pytest.approx([0.05, 0.05, 0.0])
    subs.append(placed(0.0, 50.0))
    assert area_costs(subs, (100, 200)) == pytest.approx([0.025, 0.025, 0.0, 0.425])


def test_direction_of_the_turn_at_the_camera():
    """A camera turned clockwise, seen from behind: what it shows turns anticlockwise in its
    picture, first row at the top. It has to go back, anticlockwise."""
    reference = field_of(world(0.0), seed=2, noise_px=0.0)
    middle = np.array([(SIZE[1] - 1) / 2, (SIZE[0] - 1) / 2])
    right_and_down = reference.stars[:, :2] - middle
    angle = np.radians(3.0)
    # Anticlockwise on a screen with y down: a star at the right (1, 0) goes up, to y < 0.
    x = right_and_down[:, 0] * np.cos(angle) + right_and_down[:, 1] * np.sin(angle)
    y = -right_and_down[:, 0] * np.sin(angle) + right_and_down[:, 1] * np.cos(angle)
    sub = StarField("sub", np.column_stack((x, y)) + middle, SIZE)
    assert turn_advice(framed(sub, reference)) == "turn the camera 3.00 degrees anticlockwise"
    assert turn_advice(framed(reference, sub)) == "turn the camera 3.00 degrees clockwise"


def test_set_without_reference_is_measured_from_its_middle():
    """Nine subs at one angle and one at another: the one counts, not the nine."""
    angles = [0.0, 0.05, -0.05, 0.02, 2.0, 0.0, 0.03, -0.02, 0.01, 0.0]
    fields = [field_of(world(a), seed=i) for i, a in enumerate(angles)]
    reference, results = framing_set(fields)
    assert reference is not fields[4]
    assert [one.is_mismatch for one in results] == [a == 2.0 for a in angles]


def turned(name, turn_deg):
    return Framing(name, turn_deg, 0.003, False, False, 1.0, (0, 0), corners(SIZE), 1.0, 80, 0.1)


def test_steady_turning_is_told_from_jumps_and_from_noise():
    """A quarter degree an hour over four hours, across +-90 degrees where turns begin anew."""
    hours = {str(i): i / 4 for i in range(17)}
    noise = np.random.default_rng(1).normal(0, 0.003, 17)
    steady = [turned(str(i), (89.7 + 0.25 * i / 4 + noise[i] + 90) % 180 - 90) for i in range(17)]
    # Error of a slope: 0.003 / (sqrt(17) x 1.2 h) = 0.0006 degree an hour.
    assert turning_deg_per_h(steady, hours) == pytest.approx(0.25, abs=0.003)
    jumps = [turned(str(i), 0.6 * (i in (3, 4, 9, 10, 11))) for i in range(17)]
    assert turning_deg_per_h(jumps, hours) is None
    assert turning_deg_per_h([turned(str(i), noise[i]) for i in range(17)], hours) is None
    slight = [turned(str(i), 0.005 * i / 4) for i in range(17)]  # steady, 0.02 degree in all
    assert turning_deg_per_h(slight, hours) is None
    assert turning_deg_per_h(steady[:4], hours) is None and turning_deg_per_h(steady, {}) is None


def test_names_are_no_formulas(tmp_path):
    from classifier.figure_file import save_figure
    from classifier.framing_picture import framing_figure

    name = "a_$\\nosuch$^{.fits"
    field = StarField(name, field_of(world(0.0)).stars, SIZE)
    moved = Framing(name, 3.0, 0.01, False, False, 1.0, (90, 0), corners(SIZE) + 90.0, 0.9, 50, 0.1)
    path = save_figure(framing_figure(field, [moved]), tmp_path / "outlines.png")
    assert path.read_bytes().startswith(b"\x89PNG")


def test_evidence_on_a_run():
    fields = [field_of(world(a), seed=i) for i, a in enumerate([0.0, 0.0, 0.0, 1.2, 180.0])]
    stars = [f.stars for f in fields] + [np.zeros((3, 3))]
    evidence = framing_evidence(stars, [SIZE] * 6)
    assert [one.state for one in evidence] == [NO, NO, NO, YES, NO, UNKNOWN]
    assert evidence[3].value == pytest.approx(1.2, abs=0.02)
    assert evidence[3].unit == "degrees" and evidence[3].threshold == 0.5
    assert "3 stars" in evidence[5].note
    assert framing_evidence([stars[0]], [SIZE])[0].state == UNKNOWN


@pytest.mark.parametrize(("stars", "why"), [(3, "Only 3 stars"), (80, "another field")])
def test_a_sub_that_cannot_be_matched_says_why(stars, why):
    lost = StarField("lost", np.random.default_rng(1).uniform(0, 900, (stars, 3)), SIZE)
    result = framed(lost, field_of(world(0.0)))
    assert isinstance(result, Unmatched) and why in result.why
    data = framing_json(field_of(world(0.0)), [result], None, {})
    assert data["subs"][0]["state"] == "unknown"


def write(path, pixels, **cards):
    hdu = fits.PrimaryHDU(np.clip(pixels, 0, 65535).astype(np.uint16))
    hdu.header.update(cards)
    hdu.writeto(path)


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    """Three subs of one field, the third turned by 2 degrees; a broken file; a dark."""
    galsim = pytest.importorskip("galsim")
    folder = tmp_path_factory.mktemp("night")
    rng = np.random.default_rng(9)
    stars = np.column_stack((rng.uniform(-50, 450, (90, 2)), 3000 * (1 + rng.pareto(1.2, 90))))
    middle = np.array([200.0, 150.0])
    for number, angle_deg in enumerate((0.0, 0.0, 2.0)):
        a = np.radians(angle_deg)
        matrix = np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]])
        shift = middle - matrix @ middle
        pixels = painted(galsim, stars, (300, 400), matrix, shift, number)
        write(folder / f"sub{number}.fits", pixels, XPIXSZ=3.76, FOCALLEN=530.0)
    write(folder / "dark.fits", rng.normal(300, 5, (300, 400)), IMAGETYP="Dark")
    (folder / "broken.fits").write_bytes(b"not a picture")
    return folder


def test_command(night, tmp_path):
    picture = tmp_path / "outlines.svg"
    arguments = ["framing", str(night), "--against", str(night / "sub0.fits")]
    result = CliRunner().invoke(app, [*arguments, "--picture", str(picture)])
    assert result.exit_code == 3, result.output  # one file is broken
    assert "3 subs against sub0.fits: 1 framed differently" in result.stdout
    assert "turn the camera 2.0" in result.stdout
    assert "broken.fits" in result.stderr
    assert "dark" not in result.stdout
    assert "1 calibration frame left out" in result.stderr
    svg = picture.read_text(encoding="utf-8")
    assert svg.startswith("<?xml") and "</svg>" in svg
    again = CliRunner().invoke(app, [*arguments, "--picture", str(picture)])
    assert again.exit_code != 0 and "is there already" in str(again.exception)


def test_command_as_json(night):
    result = CliRunner().invoke(app, ["framing", str(night), "--json", "-"])
    data = json.loads(result.stdout)
    assert data["schema"] == "nightcull/framing-1"
    turns = {sub["name"]: sub["turn_deg"] for sub in data["subs"]}
    assert abs(turns["sub2.fits"] - turns["sub0.fits"] - 2.0) < 0.02
    assert data["scale_arcsec"] == pytest.approx(206.265 * 3.76 / 530, rel=1e-4)


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["missing"], "missing"),
        (["--json", "file", "."], "--json takes -"),
        (["--picture", "outline.gif", "."], "end in .png or .svg"),
    ],
)
def test_requests_that_make_no_sense(arguments, told, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    result = CliRunner().invoke(app, ["framing", *arguments])
    assert result.exit_code != 0
    assert told in str(result.exception)


def test_real_subs_of_a_night(real_frames):
    """Two reduced subs of one field, registered by others: no turn and no shift are left."""
    from classifier.frame import read_frame

    paths = sorted((real_frames / "quatrope+ProperImage").glob("aligned_*.fit"))
    frames = [read_frame(path) for path in paths]
    fields = [StarField("", field_stars(f), f.pixels.shape) for f in frames]
    for one, other in pairwise(fields):
        framing = framed(one, other)
        assert abs(framing.turn_deg) < 0.02 and np.hypot(*framing.shift_px) < 1.0
