"""The pages in a real browser, opened from disk: quiet, readable in every light, usable by keys.

Contrast is reckoned as WCAG 2.1 defines it (relative luminance and contrast ratio; at least 4.5 for
text, success criterion 1.4.3).
"""

import io
import re
import time

import numpy as np
import pytest
from browser import browser, found_browser
from PIL import Image
from sample_night import write_sub, write_untrained
from test_report import HOSTILE, MADE_WITH, frame

from classifier.compare import compare
from classifier.comparison_page import write_comparison
from classifier.label import label_night
from classifier.report import write_report
from classifier.results import Results, write_results
from classifier.weights import load_model

SUBS = 12
LIGHTS = ("light", "dark", "red")


@pytest.fixture(scope="module")
def chromium():
    with browser(found_browser()) as one:
        yield one


def written_night() -> Results:
    """A run of known course: HFR rises; the third sub is dropped, the fourth waits for a look."""
    frames = []
    for i in range(SUBS):
        verdict, faults = {2: ("drop", ["trail"]), 3: ("look", ["clouds"])}.get(i, ("keep", []))
        numbers = {"hfr_px": 2.0 + 0.1 * i, "fwhm_px": 4.0 + 0.2 * i, "noise_adu": 20.0}
        numbers |= {"exposure_s": 120.0, "time_mjd": 60000.9 + i / 700, "elongation": 1.05}
        where = {"trail": [[0, 0, 100, 80]]} if "trail" in faults else {}
        frames.append(frame(f"sub_{i:02}.fits", verdict, faults, numbers=numbers, where=where))
    reading = {
        **{"run": frames[0].run, "when": "2023-02-25 21:36 to 22:02 UTC", "causes": []},
        **{"hours": [i * 24 / 700 for i in range(SUBS)], "subs": [f.path for f in frames]},
        "time_lines": {"hfr_px": [f.numbers["hfr_px"] for f in frames]},
        **{"summary": ["Nothing lasting."], "changes": [], "costs": [], "untold": []},
    }
    return Results(MADE_WITH, frames, [], [reading])


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    """The report and the comparison of a written night."""
    folder = tmp_path_factory.mktemp("a folder, with % and spaces")
    results = written_night()
    results.frames[3].evidence["clouds"]["state"] = "no"
    write_results(results, folder)
    report = write_report(results, folder)
    pictures = {one.path: one.picture for one in results.frames}
    comparison, _ = write_comparison(compare(folder), folder, pictures)
    return {"report": report, "comparison": comparison}


@pytest.fixture
def report(chromium, pages):
    chromium.size(1400, 900)
    chromium.open(pages["report"])
    yield chromium
    chromium.run("localStorage.clear()")


@pytest.mark.parametrize("name", ["report", "comparison"])
def test_page_opens_from_disk_without_complaint_or_request(chromium, pages, name):
    chromium.open(pages[name])
    assert chromium.complaints() == []
    assert chromium.run("document.querySelectorAll('main').length") == 1
    # Every picture is there: none is broken.
    broken = "[...document.images].filter(i => !i.complete || !i.naturalWidth).length"
    assert chromium.run("document.images.length") > 0 and chromium.run(broken) == 0


def test_headers_of_subs_are_text_and_nothing_else(chromium, tmp_path):
    """OBJECT and FILTER of real files, by way of labelling, into a page in a browser."""
    bad = '<img src=x onerror="window.evil=1">'
    # With the folder's name the path of each sub ends a script, too.
    folder = tmp_path / "subs" / "a<"
    folder.mkdir(parents=True)
    for i in range(4):
        path = folder / f"script><b>{i}.fits"
        write_sub(path, i + 1, OBJECT=bad, FILTER="</script><b>{{7*7}}")
    model = load_model(write_untrained(tmp_path / "untrained", offset=3.0))
    results = label_night([tmp_path / "subs"], None, model, 1)
    assert bad in results.frames[0].run
    for one in results.frames:
        one.why, one.notes = HOSTILE, (HOSTILE,)
    chromium.open(write_report(results, tmp_path))
    assert chromium.complaints() == []
    assert chromium.run("typeof window.evil") == "undefined"
    assert chromium.run("document.querySelector('h1').textContent").startswith(bad)
    outside = "[...document.images].filter(i => !i.src.startsWith('data:')).length"
    assert chromium.run(outside) == 0
    assert chromium.run("document.querySelectorAll('script:not([type])').length") == 2
    shown = chromium.run("document.querySelector('main').textContent")
    assert "</script><b>{{7*7}}" in shown and HOSTILE in shown
    chromium.run("document.querySelector('.readout').focus()")
    chromium.key("End")
    told = chromium.run("document.querySelector('.readout').textContent")
    assert told.startswith("a</script><b>3.fits: ")


@pytest.mark.parametrize("name", ["report", "comparison"])
@pytest.mark.parametrize("width", [420, 1400])
def test_page_is_never_wider_than_the_window(chromium, pages, name, width):
    chromium.size(width, 900)
    chromium.open(pages[name])
    assert chromium.run("document.documentElement.scrollWidth") <= width


def luminance(colour: str) -> float:
    """Relative luminance of "rgb(r, g, b)" by WCAG 2.1."""
    parts = np.array([int(part) for part in re.findall(r"\d+", colour)[:3]]) / 255
    linear = np.where(parts <= 0.03928, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)
    return float(linear @ (0.2126, 0.7152, 0.0722))


@pytest.mark.parametrize("name", ["report", "comparison"])
@pytest.mark.parametrize("light", LIGHTS)
def test_text_has_contrast_in_every_light(chromium, pages, light, name):
    chromium.open(pages[name], mark=f"#{light}")
    told = chromium.run(
        "[...document.querySelectorAll('h1, p, .soft, a, .verdict, th, td')].map(e => "
        "getComputedStyle(e).color).concat(getComputedStyle(document.body).backgroundColor)"
    )
    paper = luminance(told[-1])
    for colour in set(told[:-1]):
        high, low = max(luminance(colour), paper), min(luminance(colour), paper)
        assert (high + 0.05) / (low + 0.05) >= 4.5, colour


@pytest.mark.parametrize("name", ["report", "comparison"])
def test_red_light_sends_no_other(chromium, pages, name):
    chromium.size(1000, 900)
    chromium.open(pages[name], mark="#red")
    # With pictures in view, which are grey in any other light.
    chromium.run("document.querySelector('article').scrollIntoView()")
    chromium.key("Tab")
    pixels = np.asarray(Image.open(io.BytesIO(chromium.screenshot())).convert("RGB"))
    assert pixels[..., 0].max() > 150 and (pixels[..., 0] > 60).mean() > 0.01
    assert pixels[:, :980, 1:].max() <= 2  # beyond lies the bar for scrolling, of the browser


def test_light_follows_the_system_until_chosen_and_is_remembered(report, pages):
    def paper() -> float:
        return luminance(report.run("getComputedStyle(document.body).backgroundColor"))

    assert paper() > 0.8
    report.open(pages["report"], light="dark")
    assert 0.001 < paper() < 0.02
    report.run("document.querySelector('input[value=red]').click()")
    assert paper() == 0.0
    for pause_s in (0, 0.2, 0.5, 1, 2, 4):  # a busy browser keeps what was written some time later
        time.sleep(pause_s)
        report.again(light="light")
        if paper() == 0.0:
            break
    assert paper() == 0.0 and report.run("location.hash") == ""
    assert report.run("document.querySelector('input[value=red]').checked")
    report.open(pages["report"], mark="#light")  # asked for by the address: goes first
    assert paper() > 0.8


def test_light_is_remembered_by_the_address_where_the_browser_refuses(report, pages):
    refuse = "Object.defineProperty(window, 'localStorage', {get() { throw new Error('no'); }})"
    prepared = report.prepare(refuse)
    try:
        report.open(pages["report"])
        report.run("document.querySelector('input[value=red]').click()")
        assert report.run("location.hash") == "#red"
        assert report.complaints() == []
    finally:
        report.forget(prepared)
        report.open(pages["report"])


def test_keys_step_through_the_subs(report):
    order = report.run("[...document.querySelectorAll('article')].map(a => a.dataset.path)")
    assert order[:2] == ["sub_02.fits", "sub_03.fits"] and len(order) == SUBS
    here = "document.activeElement.dataset.path"
    top = "Math.round(document.activeElement.getBoundingClientRect().top)"
    for key, expected in (("n", 0), ("n", 1), ("n", 2), ("p", 1), ("p", 0), ("p", 0)):
        report.key(key)
        assert report.run(here) == order[expected]
        assert 0 <= report.run(top) < 300
    report.key("m")
    marks = "getComputedStyle(document.querySelector('.picture svg')).opacity"
    assert report.run(marks) == "0"
    report.key("m")
    assert report.run(marks) == "1"
    report.key("t")
    assert report.run("scrollY") == 0


def test_first_tab_skips_to_the_report_and_focus_is_seen(report):
    report.key("Tab")
    assert report.run("document.activeElement.textContent") == "Skip to the report"
    assert report.run("document.activeElement.getBoundingClientRect().left") >= 0
    places = []
    for _ in range(25):
        # Of a hidden radio button the word beside it.
        held = "[document.activeElement, document.activeElement.nextElementSibling]"
        seen = "(s => s.outlineStyle === 'solid' && parseFloat(s.outlineWidth) >= 2)"
        assert report.run(f"{held}.some(e => e && {seen}(getComputedStyle(e)))")
        all_of_them = "[...document.querySelectorAll('*')]"
        places.append(report.run(f"{all_of_them}.indexOf(document.activeElement)"))
        report.key("Tab")
    # Always onwards in the order of the page; time lines are one stop, not one for every dot.
    assert places == sorted(set(places))
    inside = "document.querySelectorAll('.course :is([tabindex=\"0\"], a:not([tabindex]))').length"
    assert report.run(inside) == 1
    report.run("document.querySelector('.skip').focus()")
    report.key("Enter")
    assert report.run("document.activeElement.id") == "content"


def test_time_line_is_read_and_followed_by_keys(report):
    report.run("document.querySelector('.readout').focus()")
    told = "document.querySelector('.readout').getAttribute('aria-valuetext')"
    for key, expected in (("ArrowRight", 0), ("ArrowRight", 1), ("End", SUBS - 1)):
        report.key(key)
        text = report.run(told)
        assert text.startswith(f"sub_{expected:02}.fits: ")
        assert f"HFR {2.0 + 0.1 * expected:.2f} px" in text
    report.key("ArrowLeft")
    report.key("Enter")
    assert report.run("document.activeElement.dataset.path") == f"sub_{SUBS - 2:02}.fits"


def test_dot_of_a_time_line_leads_to_its_sub(report):
    report.run("document.querySelector('.course').scrollIntoView({block: 'center'})")
    place = "(r => [r.left + r.width / 2, r.top + r.height / 2])"
    x, y = report.run(
        f"{place}(document.querySelectorAll('.course .dot')[2].getBoundingClientRect())"
    )
    report.click(x, y)
    assert report.run("location.hash") == "#sub-3"
    assert report.run("document.querySelector(':target').dataset.path") == "sub_02.fits"


def test_dots_work_without_the_script(report):
    links = "[...document.querySelectorAll('.course .plot a')].map(a => a.getAttribute('href'))"
    assert report.run(links) == [f"#sub-{i + 1}" for i in range(SUBS)]


def test_table_is_sorted_by_its_heads(report):
    press = "[...document.querySelectorAll('#all button')].find(b => /HFR/.test(b.textContent))"
    column = "[...document.querySelectorAll('#all tbody tr')].map(r => +r.cells[4].dataset.sort)"
    report.run(f"{press}.click()")
    assert report.run(column) == sorted(report.run(column))
    report.run(f"{press}.click()")
    values = report.run(column)
    assert values == sorted(values, reverse=True) and len(set(values)) == SUBS


def test_page_is_printed_dark_on_light_with_what_matters(report, pages):
    report.open(pages["report"], mark="#red")
    paper = report.pdf()
    assert paper.startswith(b"%PDF")
    assert 2 <= len(re.findall(rb"/Type\s*/Page\b", paper)) <= 12
    report.media(medium="print")
    colour = "getComputedStyle(document.body).backgroundColor"
    assert luminance(report.run(colour)) == pytest.approx(1.0)
    shown = "(q => getComputedStyle(document.querySelector(q)).display)"
    assert report.run(f"{shown}('.light')") == "none"
    assert report.run(f"{shown}('.sub.small')") == "none"
    assert report.run(f"{shown}('.sub.large')") == "grid"
    report.run("dispatchEvent(new Event('beforeprint'))")
    assert report.run("[...document.querySelectorAll('.printed')].every(d => d.open)")
