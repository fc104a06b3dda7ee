"""Who may import whom: every import statement of the three packages, read from the source.

Imports inside functions count too; a lazy import in the wrong direction is still a knot.
"""

import ast
import sys
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
PACKAGES = ("classifier", "synth", "training")
BOTTOM = {"classifier.vocabulary", "classifier.errors"}
TOP = {"classifier.cli", "classifier.__main__"}


def module_name(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


FILES = {module_name(p): p for name in PACKAGES for p in sorted((ROOT / name).rglob("*.py"))}


def imports(path: Path, annotations: bool = True) -> set[str]:
    """Full names of all modules imported; `from a import b` gives `a.b` if that is a module.

    Without `annotations`, what stands under `if TYPE_CHECKING:` and so never runs is left out.
    """
    tree = ast.parse(path.read_text(encoding="utf-8"))
    found = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING":
            node.body = node.body if annotations else []
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path.name}:{node.lineno} imports relatively"
            names = {f"{node.module}.{alias.name}" for alias in node.names}
            found |= {name if name in FILES else str(node.module) for name in names}
    return found


EDGES = {module: imports(path) for module, path in FILES.items()}


def within(names: set[str], *packages: str) -> set[str]:
    return {name for name in names if name.split(".")[0] in packages}


@pytest.mark.parametrize("module", sorted(BOTTOM))
def test_bottom_layer_needs_the_standard_library_only(module):
    assert {name.split(".")[0] for name in EDGES[module]} <= set(sys.stdlib_module_names)


@pytest.mark.parametrize("module", sorted(m for m in FILES if m.startswith("classifier")))
def test_classifier_knows_neither_synth_nor_training(module):
    if module not in TOP:
        assert not within(EDGES[module], "synth", "training")


@pytest.mark.parametrize("module", sorted(m for m in FILES if m.startswith("synth")))
def test_synth_knows_the_vocabulary_only(module):
    # The package by itself is its version and nothing else.
    assert within(EDGES[module], "classifier", "training") <= BOTTOM | {"classifier"}


def test_nothing_imports_the_command_line():
    for module in FILES.keys() - {"classifier.__main__"}:
        assert not EDGES[module] & TOP, module


def test_no_cycles():
    """Types in annotations may name a module that comes later; what runs may not."""
    graph = {m: imports(path, annotations=False) & FILES.keys() for m, path in FILES.items()}
    try:
        TopologicalSorter(graph).prepare()
    except CycleError as error:
        pytest.fail(" -> ".join(error.args[1]))


def test_the_reader_of_imports_sees_all_forms(tmp_path):
    lines = [
        "import os.path",
        "def f():",
        "    from classifier import vocabulary",
        "import a.b as c",
    ]
    text = "\n".join(lines)
    (tmp_path / "toy.py").write_text(text, encoding="utf-8")
    assert imports(tmp_path / "toy.py") == {"os.path", "classifier.vocabulary", "a.b"}
    lines = ["if TYPE_CHECKING:", "    import a", "import b"]
    (tmp_path / "toy.py").write_text("\n".join(lines), encoding="utf-8")
    assert imports(tmp_path / "toy.py") == {"a", "b"}
    assert imports(tmp_path / "toy.py", annotations=False) == {"b"}
    (tmp_path / "toy.py").write_text("from . import other\n", encoding="utf-8")
    with pytest.raises(AssertionError, match="imports relatively"):
        imports(tmp_path / "toy.py")
