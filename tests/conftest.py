"""What all tests share: one thread per process, the `--slow` option, the folder of real frames.

Threads are limited before NumPy or torch is imported: the tests run on small machines, and two
processes that each start as many threads as there are cores are slower than one.
"""

import os
from pathlib import Path

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import pytest  # noqa: E402 - the limits must come first

ROOT = Path(__file__).resolve().parent.parent


def pytest_addoption(parser):
    parser.addoption("--slow", action="store_true", help="also run the tests marked slow")


def pytest_collection_modifyitems(config, items):
    if config.getoption("--slow"):
        return
    skip = pytest.mark.skip(reason="slow; run with --slow")
    for item in items:
        if "slow" in item.keywords:
            item.add_marker(skip)


@pytest.fixture(scope="session")
def root() -> Path:
    """The root of the repository."""
    return ROOT


@pytest.fixture(scope="session")
def real_frames() -> Path:
    """A folder of real frames beside the repository, never part of it."""
    folder = ROOT.parent / "shared" / "real"
    if not folder.is_dir():
        pytest.skip("no folder ../shared/real with real frames beside the repository")
    return folder


@pytest.fixture(scope="session", autouse=True)
def own_cache(tmp_path_factory):
    """Tests neither use nor fill the cache of whoever runs them."""
    before = os.environ.get("NIGHTCULL_CACHE")
    os.environ["NIGHTCULL_CACHE"] = str(tmp_path_factory.mktemp("cache"))
    yield
    del os.environ["NIGHTCULL_CACHE"]
    if before is not None:
        os.environ["NIGHTCULL_CACHE"] = before
