"""The wheel: what it holds and what it must not. The build backend builds it; no network."""

import subprocess
import sys
import tomllib
import zipfile

import pytest

pytest.importorskip("hatchling", reason="the build backend; pip install -e '.[test]' brings it")


@pytest.fixture(scope="module")
def wheel(root, tmp_path_factory) -> zipfile.ZipFile:
    folder = tmp_path_factory.mktemp("wheel")
    command = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(folder)]
    run = subprocess.run(command, cwd=root, capture_output=True, encoding="utf-8", timeout=120)
    assert run.returncode == 0, run.stderr
    (path,) = folder.glob("nightcull-*.whl")
    return zipfile.ZipFile(path)


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
