"""The camera's turn against astropy's own reading of the same celestial coordinates."""

import numpy as np
import pytest
from astropy.io.fits import Header as FitsHeader
from astropy.wcs import WCS

from classifier.facts import facts_from_header

SHAPE = (400, 600)


def cards(matrix, form="CD"):
    header = FitsHeader()
    header["CTYPE1"], header["CTYPE2"] = "RA---TAN", "DEC--TAN"
    header["CRVAL1"], header["CRVAL2"] = 120.0, 35.0
    header["CRPIX1"], header["CRPIX2"] = 300.0, 200.0
    if form == "PC":
        header["CDELT1"] = header["CDELT2"] = 1.0
    for i in (1, 2):
        for j in (1, 2):
            header[f"{form}{i}_{j}"] = float(matrix[i - 1][j - 1])
    return header


@pytest.mark.parametrize("turn_deg", [0.0, 33.0, 150.0, 287.0])
@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("form", ["CD", "PC"])
def test_turn_of_the_camera(turn_deg, mirrored, form):
    t = np.deg2rad(turn_deg)
    scale = 2.0 / 3600
    east = np.array([-np.cos(t), np.sin(t)]) * (-1 if mirrored else 1)
    matrix = scale * np.array([[east[0], np.sin(t)], [east[1], np.cos(t)]])
    header = cards(matrix, form)
    facts = facts_from_header(header, SHAPE)
    # One step along +y on the sky, as astropy projects it.
    sky = WCS(header).pixel_to_world([299, 299], [199, 200])
    assert facts.camera_deg == pytest.approx(sky[0].position_angle(sky[1]).deg % 360, abs=0.01)
    assert facts.mirrored is mirrored


def test_older_form_with_a_rotation():
    header = cards(np.eye(2))
    for key in ("CD1_1", "CD1_2", "CD2_1", "CD2_2"):
        del header[key]
    header["CDELT1"], header["CDELT2"], header["CROTA2"] = -0.001, 0.001, 40.0
    sky = WCS(header).pixel_to_world([299, 299], [199, 200])
    facts = facts_from_header(header, SHAPE)
    assert facts.camera_deg == pytest.approx(sky[0].position_angle(sky[1]).deg % 360, abs=0.01)
    assert facts.mirrored is False


def test_nonsense_is_unknown():
    facts = facts_from_header(cards(np.zeros((2, 2))), SHAPE)
    assert facts.camera_deg is None and facts.mirrored is None
    stated = {"PIERSIDE": "North", "AMBTEMP": -300, "OBJCTAZ": 512.0, "FOCUSPOS": "high"}
    facts = facts_from_header(stated, SHAPE)
    assert (facts.pier, facts.ambient_c, facts.azimuth_deg, facts.focus_steps) == (None,) * 4


def test_what_mount_and_focuser_say():
    stated = {"PIERSIDE": "WEST", "AMBTEMP": 4.5, "OBJCTAZ": "210 30 00", "FOCUSPOS": 12050}
    facts = facts_from_header(stated, SHAPE)
    assert (facts.pier, facts.ambient_c, facts.azimuth_deg, facts.focus_steps) == (
        *("west", 4.5),
        *(210.5, 12050.0),
    )
