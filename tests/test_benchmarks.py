"""The benchmarks of rendering run through, tiny and on a CPU.

They call inner functions by name, and as a GPU is needed for their figures, nobody notices for long
that such a name is gone.
"""

import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
SIZE = ("--device", "cpu", "--height", "160", "--width", "192", "--batches", "1")


@pytest.mark.parametrize(
    ("script", "settings", "told"),
    [
        ("render_speed", ("--frames", "8"), "frames/s from plan to views"),
        (
            "star_sheet_speed",
            ("--frames", "8", "--times", "1", "--mpx", "2"),
            "one step of learning",
        ),
    ],
)
def test_a_benchmark_runs_through(script, settings, told):
    path = ROOT / "tests" / "benchmarks" / f"{script}.py"
    run = subprocess.run(
        [sys.executable, str(path), *SIZE, *settings],
        capture_output=True,
        text=True,
        cwd=ROOT,
        env=os.environ | {"PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1"},
        timeout=300,
        check=False,
    )
    assert run.returncode == 0, run.stderr[-2000:]
    assert told in run.stdout
