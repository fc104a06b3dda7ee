"""What a night lost and to which fault: as a photographer would put it down."""

import pytest

from classifier.cost_report import costs_of, found_rows, nameless, reasons
from classifier.results import FrameResult, Results
from classifier.verdict import FEW_SUBS

MANY = FEW_SUBS + 1


def sub(verdict: str, *faults: str, run: str = "night", number: int = 0) -> FrameResult:
    return FrameResult(
        f"{run}_{verdict}_{'_'.join(faults)}_{number}.fits",
        run=run,
        verdict=verdict,
        faults=list(faults),
        numbers={"exposure_s": 60.0},
    )


@pytest.mark.parametrize(
    ("verdict", "faults", "why"),
    [
        ("keep", ("hot_pixels", "trail"), ()),
        # What darks, flats and dithering mend is no reason, however many subs have it.
        ("drop", ("hot_pixels", "vignetting", "drift"), ("drift",)),
        ("drop", ("clouds", "drift"), ("clouds", "drift")),
        ("look", ("hot_pixels", "low_signal", "diffraction_spikes"), ()),
        ("drop", ("trail",), ("trail",)),
        # A gradient drops a sub by its noise, where nothing worse did.
        ("drop", ("gradient", "dust_motes"), ("gradient",)),
        ("drop", ("gradient", "clouds"), ("clouds",)),
        ("look", ("reflection",), ("reflection",)),
    ],
)
def test_reasons_of_a_sub(verdict, faults, why):
    assert reasons(sub(verdict, *faults), MANY) == why


def test_a_trail_is_no_reason_where_no_sub_can_be_spared():
    assert reasons(sub("look", "trail"), FEW_SUBS) == ()


def test_a_camera_full_of_hot_pixels_cost_nothing():
    """As of a real series: every sub has them, and a third were lost to drift."""
    frames = [sub("keep", "hot_pixels", number=i) for i in range(12)]
    frames += [sub("drop", "hot_pixels", "drift", number=i) for i in range(5)]
    frames += [sub("look", "hot_pixels", "clouds", number=i) for i in range(2)]
    frames += [sub("look", "hot_pixels", number=i) for i in range(3)]
    results = Results({}, frames)
    costs = costs_of(results)
    assert [row["key"] for row in costs] == ["drift", "clouds"]
    assert costs[0]["cost"] == "5 subs (5 min) dropped"
    assert costs[1]["cost"] == "2 subs (2 min) to look at"
    assert len(costs[0]["subs"]) == 5
    assert nameless(results).count == 3
    # The table of all that was found has them still, behind what cost something.
    rows = found_rows(results)
    assert [row["key"] for row in rows] == ["drift", "clouds", "hot_pixels"]
    assert [rows[2][verdict].count for verdict in ("drop", "look", "keep")] == [5, 5, 12]


def test_a_measure_agrees_that_names_the_same_light_otherwise():
    frame = sub("drop", "guiding_loss")
    frame.evidence.update({"guiding_loss": {"state": "no"}, "drift": {"state": "yes"}})
    other = sub("drop", "guiding_loss", number=1)
    other.evidence.update({"guiding_loss": {"state": "no"}, "clouds": {"state": "yes"}})
    (row,) = found_rows(Results({}, [frame, other]))
    assert (row["agree"], row["against"], row["open"]) == (1, 1, 0)


def test_a_cause_of_several_nights_is_told_once_as_it_is_likeliest():
    def reading(night, likelihood):
        cause = {"cause": "polar", "fault": "drift", "likelihood": likelihood}
        other = {"cause": "flexure", "fault": "drift", "likelihood": 0.41}
        return {"run": "Field", "night": night, "causes": [cause, other]}

    readings = [reading("2026-01-02", 0.7), reading("2026-01-03", 0.9)]
    (drift,) = costs_of(Results({}, [sub("drop", "drift")], [], readings))
    assert [(one["cause"], one["likelihood"]) for one in drift["causes"]] == [
        ("polar", 0.9),
        ("flexure", 0.41),
    ]
    assert drift["causes"][0]["run"] == "Field, 2026-01-03"


def test_a_measure_that_leaves_the_cause_open_is_counted_apart():
    told = {"state": "unknown", "unit": "sigma", "threshold": 3.0}
    frames = [sub("keep", "diffraction_spikes", number=i) for i in range(3)]
    for frame, value in zip(frames, (9.0, 2.0, None), strict=True):
        frame.evidence["diffraction_spikes"] = told | {"value": value}
    (row,) = found_rows(Results({}, frames))
    assert (row["agree"], row["against"], row["seen"], row["open"]) == (0, 0, 1, 2)
