"""The page of an evaluation: whole, self-contained, every mark where its number says."""

import math
import re
from itertools import pairwise

import pytest
from small_model import write_small_model
from test_evaluate import answers_of
from test_real_frames import TRUTH, frame, results
from test_report import HOSTILE, Page

from classifier.errors import UsageError
from classifier.vocabulary import KEYS, fault
from classifier.weights import load_model
from training.evaluation_page import page, render_page, write_page
from training.evaluation_plots import HEIGHT, WIDTH, reliability_marks, sensitivity_panel
from training.figures import figures_of
from training.real_frames import figures_of_results


@pytest.fixture(scope="module")
def figures(tmp_path_factory):
    top = tmp_path_factory.mktemp("page")
    model = load_model(write_small_model(top / "small"))
    (top / "truth.csv").write_text(
        TRUTH + '"{}",,,\n'.format(HOSTILE.replace('"', '""')), encoding="utf-8"
    )
    labelled = results()
    labelled.frames.append(frame(HOSTILE, "look", ["clouds"], unfamiliar=0.1))
    real = figures_of_results(model, labelled, top / "truth.csv", 1)
    grafted = figures_of(model, answers_of(160, seed=2), 1) | {"notes": ["a note"]}
    return figures_of(model, answers_of(), 1) | {"grafted": grafted, "real": real}


def test_page_is_whole_and_asks_for_nothing(figures):
    text = render_page(figures)
    read = Page(text)
    assert not read.of("img") and not read.of("link")
    assert not any("src" in attributes for attributes in read.of("script"))
    (policy,) = (a["content"] for a in read.of("meta") if "http-equiv" in a)
    assert policy.startswith("default-src 'none'; img-src data:;")
    assert "evil.example" not in "".join(v or "" for _, a in read.tags for v in a.values())
    assert HOSTILE in "".join(read.texts)
    assert "prefers-color-scheme: dark" in text
    assert not re.search(r"\bnan\b", text)


def test_every_section_is_there(figures):
    words = " ".join(Page(render_page(figures)).texts)
    for heading in (
        "Side by side",
        "Average precision per fault",
        "Verdicts",
        "Found, against strength",
        "Can the confidence be believed?",
        "Mixed up",
        "Real frames to look at",
        "Left out",
    ):
        assert heading in words, heading
    assert "a note" in words
    assert "nothing was measured" in words
    shown = page(figures)
    assert shown["kinds"] == ["rendered", "grafted", "real"]
    # Sixteen faults and the pair that is the same light.
    assert [plot.key for plot in shown["panels"]] == list(KEYS)
    assert [name for name, _, _ in shown["pairs"]] == ["vibration or drift"]


def test_dots_lie_at_their_average_precision(figures):
    shown = page(figures)
    for kind, part in (("rendered", figures), ("grafted", figures["grafted"])):
        marks = shown["dots"][kind]
        assert len(marks) == len(KEYS)
        for key, mark in zip(KEYS, marks, strict=True):
            value = part["overview"]["faults"][key]["average_precision"]["value"]
            assert mark.x == pytest.approx(value * shown["dots_width"], abs=0.1)
            assert mark.low <= mark.x <= mark.high
    # Faults that no real frame has get no dot.
    assert len(shown["dots"]["real"]) == 1


def strengths(first, last):
    middle = math.sqrt(first * last)
    parts = [
        {"from": first, "to": middle, "frames": 9, "found": 0.0, "low": 0.0, "high": 0.25},
        {"from": middle, "to": last, "frames": 9, "found": 1.0, "low": 0.5, "high": 1.0},
    ]
    slope = math.copysign(4.0, last - first)
    known = {"value": middle, "low": first, "high": last, "reached": "inside"}
    unknown = {"value": math.nan, "low": math.nan, "high": math.nan, "reached": "never"}
    return {
        "parts": parts,
        "intercept": -slope * math.log(middle),
        "slope": slope,
        "strength_50": known,
        "strength_95": unknown,
    }


@pytest.mark.parametrize(("key", "first", "last"), [("trail", 4, 64), ("low_signal", 6, 0.06)])
def test_curves_rise_to_the_right_whatever_way_the_number_goes(key, first, last):
    plot = sensitivity_panel(fault(key), {"rendered": strengths(first, last)})
    (curve,) = plot.curves
    # Two parts, half the logarithmic axis each.
    assert [mark.x for mark in curve.marks] == pytest.approx([WIDTH / 4, 3 * WIDTH / 4], abs=0.2)
    assert [mark.y for mark in curve.marks] == [HEIGHT, 0]
    assert (curve.marks[0].high, curve.marks[1].low) == (0.75 * HEIGHT, 0.5 * HEIGHT)
    points = [tuple(map(float, pair.split(","))) for pair in curve.line.split()]
    assert points[0][0] == 0 and points[-1][0] == WIDTH
    assert all(a[0] < b[0] and a[1] >= b[1] for a, b in pairwise(points))
    middle = min(points, key=lambda point: abs(point[0] - WIDTH / 2))
    assert middle[1] == pytest.approx(HEIGHT / 2, abs=1)
    # Trail: ln 2 of ln 16 above the first strength; signal: ln 2 of ln 100.
    share = math.log(2) / abs(math.log(last / first))
    assert plot.level == pytest.approx(share * WIDTH, abs=0.1)
    assert curve.words[1] == "not reached"


def test_reliability_lies_on_the_diagonal_where_confidence_is_honest():
    rows = [
        {"count": 1000, "probability": 0.05, "positives": 0.05, "interval": [0.03, 0.08]},
        {"count": 10, "probability": 0.75, "positives": 0.75, "interval": [0.4, 1.0]},
    ]
    marks = reliability_marks(rows)
    for mark in marks:
        assert mark.y == pytest.approx(HEIGHT * (1 - mark.x / WIDTH), abs=0.2)
    assert marks[0].radius > marks[1].radius
    assert marks[1].high == 0


def test_figures_of_an_older_version_make_a_page_too(figures):
    def without(part):
        faults = {
            key: {
                k: v
                for k, v in row.items()
                if k not in ("sensitivity", "calibration_error_interval")
            }
            for key, row in part["faults"].items()
        }
        pairs = {
            name: {k: v for k, v in row.items() if k != "sensitivity"}
            for name, row in part["same_light"].items()
        }
        kept = {k: v for k, v in part.items() if k not in ("overview", "grafted", "real")}
        return kept | {"faults": faults, "same_light": pairs}

    words = " ".join(Page(render_page(without(figures))).texts)
    assert "Mixed up" in words
    assert "Side by side" not in words and "against strength" not in words


def test_a_page_is_never_written_over(figures, tmp_path):
    path = write_page(figures, tmp_path / "new" / "page.html")
    before = path.read_text(encoding="utf-8")
    with pytest.raises(UsageError, match="not written over"):
        write_page(figures, path)
    assert path.read_text(encoding="utf-8") == before
    (tmp_path / "file").write_text("x", encoding="utf-8")
    with pytest.raises(UsageError, match="cannot be written"):
        write_page(figures, tmp_path / "file" / "page.html")
