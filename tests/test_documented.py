"""The documents against the program: what is there is described, what is described is there."""

import re
import tomllib

import pytest
from typer.main import get_command

from classifier import __version__
from classifier.cli import app
from classifier.vocabulary import FAULTS, SET_FAULTS, Effect

COMMANDS = get_command(app).commands
TEST_COMMAND = "python3 -m venv .venv && .venv/bin/pip install -e '.[test]' && .venv/bin/pytest"
DEMO_COMMAND = "python3 -m venv .venv && .venv/bin/pip install . && .venv/bin/nightcull demo"


@pytest.fixture(scope="module")
def readme(root) -> str:
    return (root / "README.md").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def developers(root) -> str:
    return (root / "DEVELOPERS.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("name", COMMANDS)
def test_command_is_documented(name, readme):
    command = COMMANDS[name]
    assert f"`nightcull {name}" in readme
    assert command.help and command.help.strip().endswith(".")
    for parameter in command.params:
        if "--help" not in parameter.opts:
            assert getattr(parameter, "help", None), f"{name}: {parameter.opts} has no help"


def test_options_of_label_are_documented(readme):
    options = {option for p in COMMANDS["label"].params for option in p.opts}
    long = {option for option in options if option.startswith("--") and option != "--help"}
    assert len(long) >= 10, "label should have its output, speed and rig options"
    assert {option for option in long if f"`{option}" not in readme} == set()


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md", "classifier/remedies.toml"])
def test_commands_named_exist(name, root):
    text = (root / name).read_text(encoding="utf-8")
    assert set(re.findall(r"`nightcull ([a-z]+)", text)) <= set(COMMANDS)


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md"])
def test_links_lead_somewhere(name, root):
    text = (root / name).read_text(encoding="utf-8")
    text = re.sub(r"<!--.*?-->", "", text, flags=re.DOTALL)
    for target in re.findall(r"\]\(([^)#:]+)(?:#[^)]*)?\)", text):
        assert (root / target).exists(), target


def test_files_named_by_the_guide_exist(developers, root):
    names = set(
        re.findall(r"`((?:classifier|synth|training|tests|models)/[\w/]+\.\w[\w.]*)`", developers)
    )
    assert len(names) >= 15, "the guide names files of the repository"
    assert {name for name in names if not (root / name).exists()} == set()


def test_every_source_file_is_in_the_guide(developers, root):
    for package in ("classifier", "synth", "training"):
        for path in (root / package).rglob("*.py"):
            if path.name not in {"__init__.py", "__main__.py"}:
                assert path.name in developers, f"{path.relative_to(root)} is not in the layout"


def test_first_screen_has_the_two_commands(readme):
    """The job in one paragraph, then the two commands, before anything else."""
    screen = "\n".join(readme.splitlines()[:40])
    assert DEMO_COMMAND in screen and TEST_COMMAND in screen
    assert readme.count(TEST_COMMAND) == 1


def test_ci_runs_the_command_of_the_readme(root):
    assert TEST_COMMAND in (root / ".ci" / "run").read_text(encoding="utf-8").splitlines()


@pytest.mark.parametrize("row", FAULTS, ids=lambda row: row.key)
def test_fault_is_in_the_readme(row, readme):
    """Its line in the table, with the level from which it counts and what it does to the sub."""
    (line,) = [text for text in readme.splitlines() if text.startswith(f"| `{row.key}` |")]
    level, effect = line.split("|")[3:5]
    assert f"{row.counts_from:g}" in re.findall(r"[\d.]+\d|\d", level)
    words = {Effect.SPOILS: ("drop",), Effect.CALIBRATES: ("keep",)}
    assert effect.strip().startswith(words.get(row.effect, ("keep", "drop", "look")))


def test_set_faults_are_in_the_readme(readme):
    for row in SET_FAULTS:
        assert f"`{row.key}`" in readme


def test_changelog_has_this_version(root):
    text = (root / "CHANGELOG.md").read_text(encoding="utf-8")
    assert f"## [{__version__}]" in text


def test_python_version_agrees(readme, root):
    project = tomllib.loads((root / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    least = project["requires-python"].removeprefix(">=")
    assert f"Python {least}" in readme
