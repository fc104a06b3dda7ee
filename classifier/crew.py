"""The worker processes that examine frames.

Processes are spawned (the only way that works alike on Linux, macOS and Windows, and that is
safe with torch threads), each with one torch thread; only a few frames are in flight, so memory
does not grow with the night. If a worker process dies (killed for memory, crashed inside a
camera library), the frames it may have died of are tried once more one at a time, and only the
guilty one is given up.
"""

import multiprocessing
import os
import sys
from collections.abc import Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

from classifier.examine import Examined, examine
from classifier.kept_memory import keep_memory
from classifier.masters import MasterFiles
from classifier.rig import Rig

if TYPE_CHECKING:
    from threadpoolctl import ThreadpoolController

    from classifier.weights import Model

File = tuple[Path, str]  # where it is, and its name in the results
Settings = tuple[Rig | None, Path, MasterFiles | None]  # rig, folder of the model, masters
IN_FLIGHT_PER_WORKER = 2
FILES_WORTH_A_WORKER = 6  # starting a process with torch costs about as much as some frames
THREAD_VARIABLES = ("OMP_NUM_THREADS", "MKL_NUM_THREADS", "OPENBLAS_NUM_THREADS")

DIED = (
    "The process that read this frame ended without an answer, perhaps for want of memory; "
    "try this file alone."
)


def useful_workers(files: int, wanted: int | None = None) -> int:
    """How many processes to use: `wanted`, or one per core while each has enough to do."""
    if wanted is not None:
        return max(1, min(wanted, files))
    return max(1, min(os.cpu_count() or 1, files // FILES_WORTH_A_WORKER))


def examine_all(
    files: Sequence[File],
    rig: Rig | None,
    model: "Model",
    workers: int,
    masters: MasterFiles | None = None,
) -> Iterator[Examined]:
    """Examine all files and yield them as they are done, in any order."""
    if workers == 1:
        keep_memory()
        with _one_thread():
            for path, name in files:
                yield examine(path, name, rig, model, masters)
        return
    settings = (rig, model.folder, masters)
    with _thread_variables():
        suspects: list[File] = []
        yield from _in_pools(files, settings, workers, suspects)
        for file in suspects:
            # Each in a pool of its own: what still kills its process alone is the cause.
            guilty: list[File] = []
            yield from _in_pools([file], settings, 1, guilty)
            for path, name in guilty:
                yield Examined(path, name, error=DIED)


def _in_pools(
    files: Sequence[File], settings: Settings, workers: int, suspects: list[File]
) -> Iterator[Examined]:
    """Examine files in a pool. When one of its processes dies, the files then in flight go to
    `suspects`, and a new pool takes up the rest."""
    waiting = list(reversed(files))
    while waiting:
        flying: dict[Future, File] = {}
        context = multiprocessing.get_context("spawn")
        others = set(multiprocessing.active_children())
        pool = ProcessPoolExecutor(workers, mp_context=context, initializer=_start_worker)
        try:
            while waiting or flying:
                while waiting and len(flying) < IN_FLIGHT_PER_WORKER * workers:
                    flying[pool.submit(_examine_in_worker, *waiting[-1], settings)] = waiting[-1]
                    waiting.pop()
                for future in wait(flying, return_when=FIRST_COMPLETED).done:
                    examined = future.result()
                    del flying[future]
                    yield examined
        except (KeyboardInterrupt, GeneratorExit):
            # Who stops a night does not want to wait for the frames in hand.
            for process in set(multiprocessing.active_children()) - others:
                process.terminate()
            raise
        except BrokenProcessPool:
            # With none in flight the pool could not even start: charge it to the next file, so
            # that this loop always ends.
            suspects += flying.values() or [waiting.pop()]
        finally:
            pool.shutdown(wait=False, cancel_futures=True)


@lru_cache(maxsize=1)
def _model_of_this_process(folder: Path) -> "Model":
    from classifier.weights import load_model

    return load_model(str(folder))


def _examine_in_worker(path: Path, name: str, settings: Settings) -> Examined:
    rig, folder, masters = settings
    return examine(path, name, rig, _model_of_this_process(folder), masters)


def _start_worker() -> None:
    import signal

    import torch

    # Ctrl-C reaches every process of the terminal; the parent alone answers it.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    torch.set_num_threads(1)
    keep_memory()


@contextmanager
def _thread_variables() -> Iterator[None]:
    """Children read these when they load their numerical libraries."""
    before = {name: os.environ.get(name) for name in THREAD_VARIABLES}
    os.environ.update(dict.fromkeys(THREAD_VARIABLES, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value


@lru_cache(maxsize=1)
def _libraries(modules: int) -> "ThreadpoolController":
    """The numerical libraries of this process, which take 3 ms to find: looked for again when more
    `modules` have been imported, as these bring libraries with them."""
    from threadpoolctl import ThreadpoolController

    return ThreadpoolController()


@contextmanager
def _one_thread() -> Iterator[None]:
    """One thread for torch and for NumPy's and SciPy's algebra: what a frame asks of them is so
    little that threads waiting for one another cost a third more than they save."""
    import torch

    before = torch.get_num_threads()
    with _libraries(len(sys.modules)).limit(limits=1):
        torch.set_num_threads(1)
        try:
            yield
        finally:
            torch.set_num_threads(before)
