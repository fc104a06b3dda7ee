"""The reading of a run: file, text and page say the same, and nothing in it breaks a night."""

import json
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from test_night_line import BEGIN, stars_of, sub
from written_run import COUNT, STEP, run_of

from classifier.errors import UsageError
from classifier.night_causes import ranked_causes, signs_of
from classifier.night_changes import refocus_c
from classifier.night_file import load_night, write_night
from classifier.night_line import night_line
from classifier.night_reading import headed, read_night, reading_of, summary_of
from classifier.night_report import _number, night_rows
from classifier.night_text import night_text


@pytest.fixture(scope="module")
def bumped():
    return run_of(
        hfr_px=np.where(STEP, 3.4, 2.0),
        fwhm_px=np.where(STEP, 7.4, 4.0),
        concentration=np.where(STEP, 0.85, 1.0),
    )


@pytest.fixture(scope="module")
def reading(bumped):
    return reading_of("Field | L", bumped)


def test_sudden_change_is_told_with_sub_and_time(reading):
    # 2.0 to 3.4 is 70 %, measured with 1 % of scatter; sub 9 begins at 19:00 + 9 x 20 min.
    told = [one for one in reading["changes"] if one.startswith("HFR")]
    assert told in (
        [f"HFR rose by {share} % at sub s09 (22:00 UTC)."] for share in (68, 69, 70, 71, 72)
    )


def test_time_lines_are_as_long_as_the_run(reading):
    assert len(reading["subs"]) == COUNT
    assert all(len(line) == COUNT for line in reading["time_lines"].values())
    assert reading["time_lines"]["hfr_px"][0] == pytest.approx(2.0, rel=0.05)
    assert "moon_altitude_deg" not in reading["time_lines"]
    # The headers of the run have no gain, so that the sky is told as it was stored.
    assert reading["sky_unit"] == "ADU"


def test_what_is_missing_is_said(reading):
    # The run has no site and pointing.
    assert any("Moon" in one for one in reading["untold"])
    assert not any("DATE-OBS): trends" in one for one in reading["untold"])


def test_nobody_is_told_to_stop_for_what_is_less_likely(bumped):
    (cause, *_) = ranked_causes(signs_of(bumped), bumped)
    sure, unsure = (replace(cause, likelihood=share) for share in (0.8, 0.39))
    assert cause.remedy.urgency == "stop and fix now"
    assert summary_of([sure], COUNT) == [f"Stop and fix now: {cause.title} (likely, 80 %)."]
    nothing, less = summary_of([unsure], COUNT)
    assert nothing.startswith("Nothing in the course") and "top" not in less
    assert less == f"Less likely: {cause.title} (39 %)."
    assert summary_of([sure, unsure], COUNT)[1] == less


def test_file_and_text(reading, tmp_path):
    write_night([reading], {"nightcull": "0"}, tmp_path)
    assert load_night(tmp_path) == [reading]
    text = "\n".join(night_text([reading]))
    assert text.index("Stop and fix now") < text.index("What changed")
    assert reading["causes"][0]["title"] in text
    assert max(len(line) for line in text.splitlines()) <= 88


def test_file_that_is_none(tmp_path):
    with pytest.raises(UsageError, match=r"no night\.json"):
        load_night(tmp_path)
    (tmp_path / "night.json").write_text("{")
    with pytest.raises(UsageError, match="is damaged"):
        load_night(tmp_path)
    (tmp_path / "night.json").write_text(json.dumps({"schema": "other", "runs": []}))
    with pytest.raises(UsageError, match="other"):
        load_night(tmp_path)


def test_page_rows(reading):
    (row,) = night_rows([reading], {"s00": "sub-1"}, {"s00": "keep", "s01": "drop"})
    first = next(line for line in row["lines"] if line["title"] == "HFR")
    assert len(first["dots"]) == COUNT
    assert [sub["to"] for sub in row["subs"][:2]] == ["sub-1", ""]
    assert [sub["verdict"] for sub in row["subs"][:2]] == ["keep", "drop"]
    # The first sub is sharp, the last one soft, and a page counts downwards.
    assert float(first["dots"][0]["y"]) > float(first["dots"][-1]["y"]) + 30
    # From 19:00 every 20 minutes, the last at 00:40: hours stand where they belong, dots between.
    marks = {tick["words"]: float(tick["share"]) for tick in row["ticks"]}
    assert list(marks) == ["19:00", "20:00", "21:00", "22:00", "23:00", "00:00"]
    assert marks["22:00"] == pytest.approx(row["data"]["x"][9], abs=0.1)


def test_gaps_and_long_runs_are_drawn_as_such(reading):
    values = list(reading["time_lines"]["hfr_px"])
    values[5] = None
    lines = {"hfr_px": values}
    days = {**reading, "time_lines": lines, "hours": [24.0 * i for i in range(COUNT)]}
    (row,) = night_rows([days], {}, {})
    (line,) = row["lines"]
    assert line["dots"][5] is None and line["told"][5] is None
    assert [part.count(",") for part in line["parts"]] == [5, COUNT - 6]
    assert row["by_order"] and row["ticks"][0]["words"].isdigit()


def test_an_odd_run_loses_nothing(bumped, monkeypatch):
    def broken(subs):
        raise ZeroDivisionError("odd")

    monkeypatch.setattr("classifier.night_reading.night_line", broken)
    (told,) = read_night({"run": list(bumped.subs)})
    assert "could not be read (ZeroDivisionError: odd)" in told["summary"][0]
    assert list(night_text([told]))


def test_runs_of_one_sub_are_read(bumped):
    for count in (1, 2, 5):
        told = reading_of("few", night_line(bumped.subs[:count]))
        assert "too few" in told["summary"][0]
        json.dumps(told, allow_nan=False)


def test_refocusing_interval():
    # HFR^2 = 2^2 + (0.5 dT)^2 grows by a tenth at dT = 2 sqrt(0.21) / 0.5 = 1.83 degrees.
    warm = 10 - 6 * (1 - np.exp(-np.arange(COUNT) / 9))
    line = run_of(hfr_px=np.hypot(2.0, 0.5 * (warm[0] - warm)))
    slope, every = refocus_c(line)
    # The sharpest fifth spreads over 1.8 degrees and its tenth stands for the best: a fifth off.
    assert slope == pytest.approx(0.5, rel=0.25)
    assert every == pytest.approx(1.83, rel=0.3)


def test_a_run_of_two_nights_is_read_night_by_night():
    field = stars_of()
    # 20:00 to 21:50, a pause for cloud until 02:00, and the next night: given in no order.
    minutes = [*range(0, 120, 10), *range(360, 420, 10), *range(1440, 1560, 10)]
    subs = [
        sub(i, field, time_utc=BEGIN + timedelta(minutes=float(m))) for i, m in enumerate(minutes)
    ]
    names = [one.name for one in subs]
    first, second = read_night({"Field": subs[::-1]})
    assert (first["subs"], second["subs"]) == (names[:18], names[18:])
    assert first["run"] == second["run"] == "Field"
    assert [headed(one) for one in (first, second)] == ["Field, 2025-01-03", "Field, 2025-01-04"]
    assert max(first["hours"]) < 7 and max(second["hours"]) < 2
    (alone,) = read_night({"Field": subs[:18]})
    assert "night" not in alone and headed(alone) == "Field"


def test_runs_without_times_are_one_night():
    subs = [sub(i, stars_of(), time_utc=None) for i in range(4)]
    (reading,) = read_night({"Field": subs})
    assert len(reading["subs"]) == 4 and "night" not in reading


@pytest.mark.parametrize(
    ("value", "form", "told"),
    [(1440.3, "{:.3g}", "1,440"), (0.01234, "{:.3g}", "0.0123"), (-0.001, "{:.2f}", "0.00")],
)
def test_numbers_of_the_page_are_plain(value, form, told):
    assert _number(value, form) == told
