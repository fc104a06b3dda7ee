"""The page of `nightcull compare`: whole, self-contained, with every plot and both arguments."""

import json
import re
from dataclasses import replace

import pytest
from test_report import HOSTILE, MADE_WITH, Page, frame
from typer.testing import CliRunner

from classifier.cli import app
from classifier.compare import compare, thresholds_of
from classifier.comparison_page import write_comparison
from classifier.errors import UsageError
from classifier.report import write_report
from classifier.results import Results, write_results
from classifier.scatter import HEIGHT, WIDTH, scatter
from classifier.sub_pictures import from_report, from_subs
from classifier.vocabulary import KEYS, fault

DISPUTED = "night/disputed.fits"


@pytest.fixture(scope="module")
def results():
    agreed = frame("night/trail.fits", "drop", ["trail"])
    disputed = frame(DISPUTED, "look", ["trail"], where={"trail": [[0, 0, 100, 50]]})
    disputed.faults, disputed.confidence["trail"] = [], 0.04
    unjudged = frame("night/open.fits")
    unjudged.evidence["trail"] |= {"state": "unknown", "value": None}
    clean = [frame(f"night/{i}.fits") for i in range(3)]
    return Results(MADE_WITH, [agreed, disputed, unjudged, *clean])


@pytest.fixture
def folder(results, tmp_path):
    write_results(results, tmp_path)
    write_report(results, tmp_path)
    return tmp_path


def written(folder, pictures=None):
    page, data = write_comparison(compare(folder), folder, pictures or {})
    return page.read_text(encoding="utf-8"), json.loads(data.read_text(encoding="utf-8"))


def test_numbers_for_programs(folder):
    _, data = written(folder)
    assert data["schema"] == "nightcull/comparison-1"
    trail = data["faults"]["trail"]
    assert trail == {
        "both": 1,
        "model_only": 0,
        "measure_only": 1,
        "neither": 3,
        "not_judged": 1,
        # By hand: 4 of 5 agree; by chance 1/5 x 2/5 + 4/5 x 3/5 = 14/25; (20 - 14) / (25 - 14).
        "kappa": pytest.approx(6 / 11, rel=1e-5),
    }
    assert data["faults"]["drift"]["kappa"] is None
    (dispute,) = data["disputes"]
    assert (dispute["path"], dispute["fault"]) == (DISPUTED, "trail")
    assert dispute["confidence"] == 0.04 and dispute["value"] == 16.0
    assert data["thresholds"] is None and data["scores"] is None


def test_page_stands_alone_and_tells_both_arguments(folder):
    pictures = from_report(folder / "report.html")
    text, _ = written(folder, pictures)
    page = Page(text)
    assert not page.open
    for _, attributes in page.tags:
        for name in ("src", "href"):
            assert str(attributes.get(name, "#")).startswith(("data:", "#"))
    told = " ".join(page.texts).replace("\u00a0", " ")
    assert "The model says no: 4 % sure" in told
    counted = "the same fault of a sub 1 time, the model alone 0 times, the measure alone 1 time"
    assert counted in " ".join(told.split())
    assert "The measure says yes: 16 sigma over its length, counts from 8" in told
    (image,) = [a for tag, a in page.tags if a.get("alt", "").startswith(DISPUTED)]
    assert image["src"].startswith("data:image/jpeg;base64,")
    # The trail is marked on both sides.
    assert (
        len(re.findall(r'<line x1="[^"]+" y1="[^"]+" x2="[^"]+" y2="[^"]+"><title>trail', text))
        == 2
    )
    assert 'href="#sub-1"' in text


def test_names_are_never_markup(tmp_path):
    one = frame(HOSTILE, faults=["trail"])
    one.faults, one.run, one.why = [], HOSTILE, HOSTILE
    one.evidence["trail"]["note"] = HOSTILE
    write_results(Results(MADE_WITH, [one]), tmp_path)
    text, _ = written(tmp_path)
    page = Page(text)
    assert len(page.of("script")) == 1  # our own
    assert "49" not in " ".join(page.texts)
    assert not any("evil" in str(a.get("src")) for _, a in page.tags)


def test_nothing_is_written_over(folder):
    first, _ = written(folder)
    again, _ = write_comparison(compare(folder), folder, {})
    assert again.name == "comparison-2.html" and (folder / "comparison-2.json").is_file()
    assert (folder / "comparison.html").read_text(encoding="utf-8") == first


def test_pictures_of_the_report_and_of_the_files(folder, results, sub_file):
    kept = from_report(folder / "report.html")
    (drawn,) = [one.picture for one in results.frames if one.path == DISPUTED]
    assert kept[DISPUTED] == drawn
    assert from_report(folder / "none.html") == {}
    # With its strip of stars, an image of its own in the card.
    for one in results.frames:
        one.picture = replace(drawn, strip=b"stars")
    write_report(results, folder)
    assert from_report(folder / "report.html")[DISPUTED] == replace(drawn, strip=b"stars")
    for one in results.frames:
        one.picture = drawn
    again = from_subs([sub_file.parent], {sub_file.name, "missing.fits"})
    assert list(again) == [sub_file.name]
    assert (again[sub_file.name].width_px, again[sub_file.name].height_px) == (320, 240)


@pytest.fixture
def sub_file(tmp_path):
    from sample_night import write_sub

    (tmp_path / "subs").mkdir()
    (tmp_path / "subs" / "b.fits").write_bytes(b"SIMPLE")  # cannot be read: no picture
    return write_sub(tmp_path / "subs" / "a.fits")


def test_levels_cut_the_plot_where_they_should(results):
    """Points right of the level are over it, points above the threshold given the label."""
    plot = scatter("trail", results.frames, dict.fromkeys(KEYS, 0.5))
    assert plot.unplaced == 1 and len(plot.points) == 5
    assert plot.model_y == pytest.approx(HEIGHT / 2)  # even odds
    places = {point.path: point for point in plot.points}
    both, alone, clean = (places[f"night/{name}.fits"] for name in ("trail", "disputed", "0"))
    assert both.x == alone.x == WIDTH and both.x > plot.measure_x > clean.x
    assert both.y < plot.model_y < alone.y
    # Confidences of 99 % and 1 % lie as far from even odds.
    marks = {words: at for at, words in plot.ticks_y}
    assert marks["99 %"] + marks["1 %"] == pytest.approx(HEIGHT, abs=0.2)
    assert (plot.measure_x, "8") in plot.ticks_x
    assert scatter("trail", results.frames[2:3], None) is None


def test_model_that_made_the_results_is_asked_for_its_levels(tmp_path):
    from sample_night import write_untrained

    from classifier.weights import load_model

    model = load_model(write_untrained(tmp_path / "untrained"))
    made_with = {"model": "elsewhere", "model_sha256": model.sha256}
    assert thresholds_of(Results(made_with, []), model.folder) == dict.fromkeys(KEYS, 0.6)
    assert thresholds_of(Results(made_with, [])) is None
    # The small model's 0.6 at its prior of 0.05 is 28.5 to 1 at even shares.
    common = Results(made_with, [], prior={"trail": 0.5})
    assert thresholds_of(common, model.folder)["trail"] == pytest.approx(28.5 / 29.5)
    with pytest.raises(UsageError, match="did not make these results"):
        thresholds_of(Results(made_with | {"model_sha256": "0"}, []), model.folder)


def test_command_with_truth(folder):
    truth = folder / "truth.csv"
    truth.write_text("file,labels\ntrail.fits,trail\ndisputed.fits,trail\n0.fits,\n1.fits,\n")
    run = CliRunner().invoke(app, ["compare", str(folder), "--against", str(truth)])
    assert run.exit_code == 0, run.output
    assert "not told" in run.output and "comparison.html" in run.output
    data = json.loads((folder / "comparison.json").read_text(encoding="utf-8"))["scores"]
    trail = data["faults"]["trail"]
    assert (data["frames"], trail["positives"], trail["negatives"]) == (4, 2, 2)
    assert (trail["model"]["recall"], trail["measure"]["recall"]) == (0.5, 1.0)
    assert trail["model"]["false_alarms"] == trail["measure"]["false_alarms"] == 0.0
    page = (folder / "comparison.html").read_text(encoding="utf-8")
    assert "Both against the truth" in page and fault("trail").title.capitalize() in page
