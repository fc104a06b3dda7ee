"""What a person reads at the end of a labelled night, on terminals of ordinary widths."""

import pytest
from rich.console import Console

from classifier.results import FrameResult, Results
from classifier.terminal import show_summary
from classifier.vocabulary import FAULTS
from classifier.wording import capital


@pytest.mark.parametrize("width", [60, 80, 120])
def test_names_and_counts_of_faults_are_whole_on_any_terminal(width):
    frames = [
        FrameResult(f"sub_{i}.fits", "a run", "drop", [row.key], "A reason.")
        for i, row in enumerate(FAULTS)
    ]
    console = Console(width=width, record=True, color_system=None, quiet=False)
    show_summary(console, Results({}, frames))
    lines = console.export_text().splitlines()
    for row in FAULTS:
        # Each fault was put into one frame that is dropped, and no measure sees it.
        title = capital(row.title)
        (found,) = [line for line in lines if line.strip().startswith(f"{title} ")]
        assert found.replace(title, "").split()[:6] == ["1", "–", "–", "0", "of", "1"], row.key


def test_a_measure_that_leaves_only_the_cause_open_has_seen_the_fault():
    told = {"state": "unknown", "unit": "% of sky", "threshold": 15.0}
    frames = [
        FrameResult(
            f"sub_{i}.fits",
            "a run",
            "keep",
            ["gradient"],
            "A reason.",
            evidence={"gradient": told | {"value": value}},
        )
        for i, value in enumerate((22.0, 9.0))
    ]
    console = Console(width=100, record=True, color_system=None, quiet=False)
    show_summary(console, Results({}, frames))
    (row,) = [line for line in console.export_text().splitlines() if "Gradient" in line]
    assert row.replace("Gradient", "").split()[:6] == ["–", "–", "2", "1", "of", "2"]


def cause_of(title, likelihood, urgency):
    return {"cause": title, "title": title, "likelihood": likelihood, "urgency": urgency}


def test_a_cause_of_many_runs_is_told_once_where_it_is_likeliest():
    readings = [
        {"run": f"run {n}", "causes": [cause_of("dust", share, "note for next time")]}
        for n, share in enumerate((0.5, 0.9, 0.45, 0.3))
    ]
    console = Console(width=100, record=True, color_system=None)
    show_summary(console, Results({}, [FrameResult("a.fits", "run 0", "keep")], [], readings))
    text = console.export_text()
    assert text.count("Dust") == 1
    assert "Dust: likely, 90 % [note for next time] in run 1, and in 2 more" in text


def test_causes_are_told_with_what_presses():
    causes = [
        cause_of("focus running away", 0.8, "stop and fix now"),
        cause_of("haze", 0.2, "nothing to do"),
    ]
    frames = [FrameResult("a.fits", "a run", "keep")]
    console = Console(width=80, record=True, color_system=None, quiet=False)
    show_summary(console, Results({}, frames, [], [{"run": "a run", "causes": causes}]))
    text = console.export_text()
    assert "Focus running away: likely, 80 % [stop and fix now]" in text
    assert "haze" not in text.lower()
