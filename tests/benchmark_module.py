"""A script of `tests/benchmarks` as a module, for the tests of what it counts."""

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

BENCHMARKS = Path(__file__).parent / "benchmarks"


def load_benchmark(name: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(name, BENCHMARKS / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module  # its dataclasses look themselves up
    spec.loader.exec_module(module)
    return module
