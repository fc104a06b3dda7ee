"""Masters given to `nightcull label`: what stands in the results, and what is refused."""

import csv
import io
import json

import calibration_rig as rig
import numpy as np
import pytest
from sample_night import write_untrained
from typer.testing import CliRunner

from classifier.cli import app
from classifier.errors import UsageError
from classifier.night_file import load_night
from classifier.results import read_results


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    """Two subs, the masters of their rig and a model that labels nothing by itself."""
    folder = tmp_path_factory.mktemp("masters")
    rng = np.random.default_rng(1)
    (folder / "subs").mkdir()
    for number in range(2):
        pixels = rig.exposed(rig.scene(stars=rig.stars(rng)), rng)
        rig.write(folder / "subs" / f"s{number}.fits", pixels, "Light")
    rig.write(folder / "dark.fits", rig.exposed(rig.dark_scene(), rng, 4), "Master Dark")
    rig.write(folder / "flat.fits", rig.exposed(rig.flat_scene(), rng), "Master Flat")
    write_untrained(folder / "model")
    return folder


def label(night, out: str, *options: str):
    command = ["label", str(night / "subs"), "--out", str(night / out), "--workers", "1"]
    command += ["--model", str(night / "model"), *options]
    return CliRunner().invoke(app, command)


def test_results_say_what_the_masters_do(night, monkeypatch, tmp_path):
    monkeypatch.setenv("NIGHTCULL_CACHE", str(tmp_path))
    masters = ("--dark", str(night / "dark.fits"), "--flat", str(night / "flat.fits"))
    # First without: what is remembered of that must not stand for the run with masters.
    assert label(night, "plain").exit_code == 0
    result = label(night, "with", *masters)
    assert result.exit_code == 0, result.output
    for frame in read_results(night / "with").frames:
        assert "removes this" in frame.evidence["hot_pixels"]["calibration"]
        assert "removes this" in frame.evidence["dust_motes"]["calibration"]
        assert "calibration" not in frame.evidence["trail"]
    (reading,) = load_night(night / "with")
    assert [text.split(" fits")[0] for text in reading["calibration"]] == ["Your dark", "Your flat"]
    table = csv.DictReader(io.StringIO((night / "with" / "frames.csv").read_text()))
    assert "removes this" in next(iter(table))["evidence.vignetting.calibration"]
    page = (night / "with" / "report.html").read_text()
    assert "Your dark removes this" in page and "Your flat fits these subs" in page
    told = CliRunner().invoke(app, ["night", str(night / "with")]).output
    assert "Your masters" in told and "Your flat fits these subs" in " ".join(told.split())

    plain = json.loads((night / "plain" / "frames.json").read_text())["frames"]
    assert not any("calibration" in e for frame in plain for e in frame["evidence"].values())
    assert load_night(night / "plain")[0]["calibration"] == []


def test_a_wrong_master_is_refused_before_the_work(night):
    result = label(night, "wrong", "--dark", str(night / "flat.fits"))
    assert isinstance(result.exception, UsageError)
    assert "is a flat frame by its header" in str(result.exception)
    assert not (night / "wrong").exists()


def test_a_sub_that_the_masters_fail_on_keeps_its_label(night, monkeypatch):
    def fail(*_):
        raise ValueError("as a bug would")

    monkeypatch.setattr("classifier.examine.calibration_of", fail)
    result = label(night, "failed", "--no-cache", "--dark", str(night / "dark.fits"))
    assert result.exit_code == 0, result.output
    frames = read_results(night / "failed").frames
    assert not any(frame.error for frame in frames)
    assert "as a bug would" in frames[0].evidence["hot_pixels"]["calibration"]
