"""Wheel and source archive: what they hold and must not. The build backend makes them, offline."""

import subprocess
import sys
import tarfile
import tomllib
import zipfile
from pathlib import Path

import pytest

pytest.importorskip("hatchling", reason="the build backend; pip install -e '.[test]' brings it")


def built(root: Path, kind: str, folder: Path) -> Path:
    """The one archive that the build backend makes of the checkout."""
    command = [sys.executable, "-m", "hatchling", "build", "-t", kind, "-d", str(folder)]
    run = subprocess.run(command, cwd=root, capture_output=True, encoding="utf-8", timeout=120)
    assert run.returncode == 0, run.stderr
    (path,) = folder.glob("nightcull-*")
    return path


@pytest.fixture(scope="module")
def wheel(root, tmp_path_factory) -> zipfile.ZipFile:
    return zipfile.ZipFile(built(root, "wheel", tmp_path_factory.mktemp("wheel")))


def test_top_level_names(wheel):
    tops = {name.split("/")[0] for name in wheel.namelist()}
    assert {top for top in tops if not top.endswith(".dist-info")} == {
        "classifier",
        "synth",
        "training",
    }


def test_every_module_is_inside(wheel, root):
    inside = set(wheel.namelist())
    for package in ("classifier", "synth", "training"):
        for path in (root / package).rglob("*"):
            if path.suffix in {".py", ".toml", ".j2", ".html", ".css", ".js", ".csv"}:
                assert path.relative_to(root).as_posix() in inside


def test_data_is_inside(wheel):
    names = wheel.namelist()
    assert "classifier/remedies.toml" in names
    assert "classifier/report.html.j2" in names


def test_the_default_model_is_inside(wheel):
    default = wheel.read("classifier/models/default.txt").decode("utf-8").strip()
    for part in ("weights.safetensors", "config.json", "card.md"):
        assert f"classifier/models/{default}/{part}" in wheel.namelist()


def test_a_wheel_can_be_made_of_the_source_archive(root, tmp_path):
    """It has all that the wheel takes: the default model among it."""
    with tarfile.open(built(root, "sdist", tmp_path)) as archive:
        inside = {name.split("/", 1)[1] for name in archive.getnames() if "/" in name}
    tools = tomllib.loads((root / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["hatch"]
    for taken in tools["build"]["targets"]["wheel"]["force-include"]:
        files = [path for path in (root / taken).rglob("*") if path.is_file()] or [root / taken]
        assert inside.issuperset(path.relative_to(root).as_posix() for path in files), taken


def test_no_tests_caches_or_pictures(wheel):
    for name in wheel.namelist():
        assert not name.startswith("tests/")
        assert "__pycache__" not in name
        assert not name.endswith((".fits", ".pt", ".pth", ".png", ".jpg")), name


def test_command_licence_and_python_version(wheel, root):
    project = tomllib.loads((root / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    (info,) = {n.split("/")[0] for n in wheel.namelist() if ".dist-info/" in n}
    metadata = wheel.read(f"{info}/METADATA").decode("utf-8")
    assert "License-Expression: BSD-3-Clause" in metadata
    assert f"Requires-Python: {project['requires-python']}" in metadata
    assert "nightcull = classifier.cli:main" in wheel.read(f"{info}/entry_points.txt").decode()
    assert any(n.startswith(f"{info}/") and n.endswith("LICENSE") for n in wheel.namelist())
