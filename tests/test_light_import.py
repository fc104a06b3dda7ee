"""What may be loaded when: a quick `--help`, and a training side that runs on little.

Each check runs in a fresh interpreter; modules loaded by other tests would hide the answer.
"""

import re
import subprocess
import sys

import pytest

HEAVY = {"torch", "torchvision", "astropy", "matplotlib", "scipy", "sklearn", "sep", "rawpy"}
LIGHT = {
    "classifier": "import classifier",
    "classifier.vocabulary": "import classifier.vocabulary",
    "classifier.errors": "import classifier.errors",
    "classifier.remedies": "import classifier.remedies",
    "nightcull --help": (
        "import sys; sys.argv = ['nightcull', '--help']; from classifier.cli import main; main()"
    ),
}

# A machine that only renders and trains has torch, torchvision, NumPy, SciPy, scikit-learn,
# safetensors, typer, rich and pillow. The finder below stands for one: it refuses the rest.
TRAINING_SIDE = """
import importlib, pkgutil, sys

class Absent:
    def find_spec(self, name, path=None, target=None):
        if name.split(".")[0] in {"astropy", "sep", "rawpy", "matplotlib", "tifffile", "jinja2"}:
            raise ModuleNotFoundError(f"{name} is not on this machine")

sys.meta_path.insert(0, Absent())
names = ["classifier." + n for n in ("views", "network", "lines", "weights")]
for package in ("synth", "training"):
    folder = importlib.import_module(package).__path__
    names += [f"{package}.{m.name}" for m in pkgutil.iter_modules(folder) if m.name != "__main__"]
for name in names:
    importlib.import_module(name)
    print(name)
"""


def python(*arguments: str, cwd) -> subprocess.CompletedProcess:
    command = [sys.executable, *arguments]
    return subprocess.run(command, capture_output=True, encoding="utf-8", cwd=cwd, timeout=120)


def loaded(report: str) -> set[str]:
    """Top-level names of all modules in the report of `python -X importtime`."""
    return set(re.findall(r"^import time:.*\| +(\w+)", report, flags=re.MULTILINE))


@pytest.mark.parametrize("what", LIGHT)
def test_loads_nothing_heavy(what, root):
    run = python("-X", "importtime", "-c", LIGHT[what], cwd=root)
    assert run.returncode == 0, run.stderr[-2000:]
    assert "classifier" in loaded(run.stderr), "the report of imports was not understood"
    assert not loaded(run.stderr) & HEAVY


def test_help_names_the_commands(root):
    run = python("-c", LIGHT["nightcull --help"], cwd=root)
    assert "label" in run.stdout and "demo" in run.stdout


def test_training_side_imports_on_a_bare_machine(root):
    run = python("-c", TRAINING_SIDE, cwd=root)
    assert run.returncode == 0, run.stderr[-2000:]
    assert {"classifier.views", "synth.generate", "training.train"} <= set(run.stdout.split())
