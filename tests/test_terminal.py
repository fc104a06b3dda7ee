"""What a person reads at the end of a labelled night, on terminals of ordinary widths."""

import pytest
from rich.console import Console

from classifier.results import FrameResult, Results
from classifier.terminal import show_summary
from classifier.vocabulary import FAULTS


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
        # Each fault was put into one frame, and no measure agrees: 1 and 0 stand in its row.
        found = [line for line in lines if line.strip().startswith(f"{row.title} ")]
        assert any(line.replace(row.title, "").split()[:2] == ["1", "0"] for line in found), row.key
