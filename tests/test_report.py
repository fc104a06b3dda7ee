"""The report: one page, no outside request, nothing from a header taken for markup."""

import base64
import io
import re
from html.parser import HTMLParser

import numpy as np
import pytest
from PIL import Image

from classifier import sub_report
from classifier.night import severity, summarise
from classifier.picture import shrink, stretch, thumbnails
from classifier.report import page as page_rows
from classifier.report import render_report, write_report
from classifier.results import FrameResult, Picture, Results
from classifier.sub_report import WHOLE_MOST
from classifier.thumbnail import shrunk
from classifier.vocabulary import GROUPS, KEYS, fault
from classifier.wording import duration, percent, quantity

MADE_WITH = {"nightcull": "0", "model": "m", "model_sha256": "0" * 64}
HOSTILE = '"><img src=http://evil.example/x onerror=alert(1)><script>alert(2)</script>{{ 7*7 }}'
VOID = {"meta", "img", "br", "link", "input"}


def picture() -> Picture:
    rng = np.random.default_rng(3)
    pixels = rng.normal(500, 10, (120, 180)).astype(np.float32)
    return Picture(thumbnails(pixels)[0], b"", 180, 120)


def frame(path="a.fits", verdict="keep", faults=(), **changes) -> FrameResult:
    evidence = {
        key: {
            "state": "yes" if key in faults else "no",
            "value": 2.0 * fault(key).counts_from if key in faults else 0.0,
            "unit": fault(key).unit,
            "threshold": fault(key).counts_from,
        }
        for key in KEYS
    }
    values = {
        "run": "M 31 | L | 120 s",
        "why": "No fault found.",
        "confidence": dict.fromkeys(KEYS, 0.01) | dict.fromkeys(faults, 0.93),
        "groups": dict.fromkeys(GROUPS, 0.1),
        "evidence": evidence,
        "numbers": {"hfr_px": 2.0, "exposure_s": 120.0, "time_mjd": 60000.9},
        "unfamiliar": 0.1,
        "picture": picture(),
    }
    return FrameResult(path, verdict=verdict, faults=list(faults), **(values | changes))


class Page(HTMLParser):
    """Elements, attributes and texts of a page; complains about tags that do not match."""

    def __init__(self, text: str):
        super().__init__()
        self.tags: list[tuple[str, dict]] = []
        self.texts: list[str] = []
        self.open: list[str] = []
        self.feed(text)
        assert self.open == []

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag, f"</{tag}> closes something else"

    def handle_data(self, data):
        self.texts.append(data)

    def of(self, name: str) -> list[dict]:
        return [attrs for tag, attrs in self.tags if tag == name]


def page(*frames: FrameResult, skipped=()) -> Page:
    return Page(render_report(Results(MADE_WITH, list(frames), list(skipped))))


@pytest.fixture(scope="module")
def hostile() -> Page:
    bad = frame(
        HOSTILE,
        "drop",
        ("trail",),
        why=f"Because {HOSTILE}.",
        run=HOSTILE,
        where={"trail": [[0, 0, 100, 100]]},
        notes=(HOSTILE,),
    )
    broken = FrameResult(HOSTILE + "2", error=HOSTILE)
    return page(bad, broken, skipped=[{"path": HOSTILE, "reason": HOSTILE}])


def test_text_from_headers_is_text(hostile):
    assert len(hostile.of("script")) == 2  # our own
    assert all("onerror" not in attrs for _, attrs in hostile.tags)
    assert sum(HOSTILE in text for text in hostile.texts) >= 5


def test_page_asks_nothing_of_any_network(hostile):
    addresses = [
        value
        for _, attrs in hostile.tags
        for name, value in attrs.items()
        if name in ("src", "href", "action", "data", "poster", "srcset", "xlink:href")
    ]
    assert len(addresses) > 3
    assert all(address.startswith(("data:image/", "#")) for address in addresses)
    policy = [m["content"] for m in hostile.of("meta") if "http-equiv" in m]
    assert len(policy) == 1 and policy[0].startswith("default-src 'none'")
    assert "script-src 'sha256-" in policy[0]
    style = "".join(hostile.texts)
    assert "@import" not in style and "url(" not in style


def test_every_link_inside_the_page_leads_somewhere():
    shown = page(
        frame("a.fits", "drop", ("clouds",)),
        frame("b.fits"),
        FrameResult("c.fits", error="It is empty."),
    )
    names = [attrs["id"] for _, attrs in shown.tags if "id" in attrs]
    assert len(names) == len(set(names))
    targets = {a["href"][1:] for a in shown.of("a") if a["href"].startswith("#")}
    assert targets - set(names) == {"red"}  # not a place but a wish: see page.js
    assert "about-clouds" in targets


def test_every_fault_is_explained_with_its_cautions():
    shown = page(frame())
    assert {f"about-{key}" for key in KEYS} <= {attrs.get("id") for _, attrs in shown.tags}
    text = " ".join(shown.texts)
    assert "solar filter" in text and "electrician" in text


def test_card_shows_confidence_beside_what_was_measured():
    shown = page(frame("a.fits", "drop", ("trail",), where={"trail": [[0.0, 10.0, 179.0, 90.0]]}))
    text = re.sub(r"\s+", " ", " ".join(shown.texts))
    assert "93 %" in text and "16 sigma over its length, counts from 8" in text
    assert "agrees: 16 sigma" in text
    # The marks run beside the trail, one on either side, in pixels of the frame.
    sides = [[float(line[k]) for k in ("x1", "y1", "x2", "y2")] for line in shown.of("line")]
    assert len(sides) == 2
    middle = np.mean(sides, axis=0)
    assert middle == pytest.approx([0.0, 10.0, 179.0, 90.0], abs=0.1)
    assert shown.of("svg")[0]["viewbox"] == "-0.5 -0.5 180 120"


def test_a_place_that_no_measure_vouches_for_is_drawn_otherwise():
    one = frame("a.fits", "look", ("reflection",), where={"trail": [[9.0, 9.0, 50.0, 9.0]]})
    one.evidence["reflection"]["perhaps"] = [[90.0, 60.0, 25.0]]
    (circle,) = page(one).of("circle")
    assert (circle["cx"], circle["cy"], circle["r"]) == ("90.0", "60.0", "25.0")
    assert circle["class"] == "weak"
    one.evidence["reflection"].pop("perhaps")
    one.where["reflection"] = [[90.0, 60.0, 25.0]]
    assert "class" not in page(one).of("circle")[0]


def test_thumbnails_are_whole_pictures():
    shown = page(frame("a.fits", "drop", ("clouds",)))
    sources = [i["src"] for i in shown.of("img")]
    image = Image.open(io.BytesIO(base64.b64decode(sources[0].split(",")[1])))
    assert image.size == (180, 120)


def test_worst_subs_are_shown_whole_and_the_others_small():
    one = picture()
    frames = [frame(f"{i:04}.fits", "drop", ("clouds",), picture=one) for i in range(WHOLE_MOST)]
    frames += [frame("good.fits", picture=one), frame("doubtful.fits", "look", picture=one)]
    shown = page(*frames)
    kinds = {a["data-path"]: a["class"].split()[1] for a in shown.of("article")}
    assert kinds["good.fits"] == kinds["doubtful.fits"] == "small"
    assert list(kinds.values()).count("large") == WHOLE_MOST
    text = " ".join(shown.texts)
    assert "their pictures are small" in text and "had to do without" not in text


def test_folder_of_odd_files_does_not_bury_the_summary():
    """Dozens of runs of one sub: all of them first, the largest by name, the rest in one row."""
    frames = [frame(f"a{i}.fits", run="M 31 | L") for i in range(3)]
    frames += [frame(f"b{i}.fits", "look", run=f"? | {i} s") for i in range(20)]
    shown = page_rows(Results(MADE_WITH, frames))
    assert shown["targets"] == "M 31"
    names = [row["name"] for row in shown["shares"]]
    assert names[:2] == ["All runs", "M 31 | L"] and names[-1] == "14 smaller runs"
    assert sum(row["count"] for row in shown["shares"][1:]) == shown["shares"][0]["count"] == 23


def test_runs_too_short_for_causes_are_folded():
    empty = {key: [] for key in ("summary", "changes", "costs", "causes", "untold")}
    rest = {"when": "", "hours": None, "time_lines": {}} | empty
    long, short = ({"run": f"run {n}", "subs": [f"{n}-{i}" for i in range(n)]} for n in (6, 5))
    results = Results(MADE_WITH, [frame()], [], [long | rest, short | rest])
    text = render_report(results)
    folded = text[text.index("1 run too short to read causes from") :]
    assert "<h3>run 5</h3>" in folded and "<h3>run 6</h3>" not in folded
    assert "<h3>run 6</h3>" in text


def test_pictures_beyond_the_budget_are_left_out_and_it_is_said(monkeypatch):
    one = picture()
    small = len(shrunk(one).thumbnail)
    monkeypatch.setattr(sub_report, "WHOLE_BYTES", 2.5 * len(one.thumbnail))
    monkeypatch.setattr(sub_report, "SMALL_BYTES", 1.5 * small)
    shown = page(*(frame(f"{i}.fits", "drop", ("clouds",), picture=one) for i in range(6)))
    # Two whole, one small, three without.
    assert len(shown.of("img")) == 3
    assert "3 had to do without" in " ".join(shown.texts)
    assert sum("bare" in a["class"].split() for a in shown.of("article")) == 3


def test_night_without_a_readable_frame_still_gets_a_page(tmp_path):
    results = Results(MADE_WITH, [FrameResult("x.fits", error="It is empty.")])
    path = write_report(results, tmp_path)
    text = " ".join(Page(path.read_text(encoding="utf-8")).texts)
    assert "It is empty." in text and "0 subs" in text


def test_summary_counts_and_says_first_what_spoils_the_night():
    frames = [frame(f"{i}.fits", "look", ("defocus",)) for i in range(3)]
    frames += [frame("k.fits"), FrameResult("x.fits", error="It is empty.")]
    summary = summarise(Results(MADE_WITH, frames))
    assert (summary.frames, summary.unreadable) == (4, 1)
    assert (summary.keep.count, summary.look.count, summary.drop.count) == (1, 3, 0)
    assert summary.look.exposure_s == 360.0
    assert summary.faults == [("defocus", 3)]
    assert summary.findings[0].startswith("Out of focus in 3 of 4 subs")


def test_hours_are_not_told_when_one_exposure_is_unknown():
    summary = summarise(Results(MADE_WITH, [frame(), frame("b.fits", numbers={})]))
    assert summary.keep.exposure_s is None


def test_dropped_frames_come_before_doubtful_ones():
    order = [frame(verdict=v, faults=f) for v, f in (("drop", ("clouds",)), ("look", ("clouds",)))]
    assert severity(order[0]) > severity(order[1]) > severity(frame())


def test_stretch_keeps_order_and_shows_the_sky_dark_but_not_black():
    rng = np.random.default_rng(5)
    sky = rng.normal(1000.0, 20.0, (200, 300))
    sky[50, 60] = 60000.0
    shown = stretch(sky)
    assert 0.05 < np.median(shown) < 0.4
    assert shown.max() <= 1.0 and shown.min() >= 0.0
    order = np.argsort(sky, axis=None)
    assert (np.diff(shown.ravel()[order]) >= 0).all()


def test_flat_picture_can_be_stretched():
    assert np.isfinite(stretch(np.full((8, 8), 7.0))).all()


def test_shrinking_keeps_the_mean_and_mixes_a_colour_mosaic():
    mosaic = np.zeros((1200, 1800), np.float32)  # a step of 3 would do, and show a grid
    mosaic[::2, ::2] = 400.0  # one colour of four
    small = shrink(mosaic)
    assert max(small.shape) <= 640
    assert small.mean() == pytest.approx(100.0) and small.std() == pytest.approx(0.0, abs=1e-4)


def test_words_for_people():
    assert [percent(x) for x in (0.5, 0.999, 0.0, 0.87)] == [
        "50 %",
        "over 99 %",
        "under 1 %",
        "87 %",
    ]
    assert quantity(14.234, "sigma") == "14.2 sigma"
    assert quantity(1.25, "") == "1.25"
    assert quantity(12345.6, "ADU") == "12,346 ADU"
    assert quantity(float("nan"), "ADU") == "unknown"
    assert [duration(s) for s in (30, 2700, 12000)] == ["30 s", "45 min", "3 h 20 min"]
