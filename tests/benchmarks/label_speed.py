"""How fast frames are labelled, against the plain measuring chain timed in the same run.

    python tests/benchmarks/label_speed.py              # some minutes
    python tests/benchmarks/label_speed.py --full       # all sizes: some twenty minutes

The plain chain is what a short script does: read, float32, sep.Background, subtract, sep.extract
at 5 sigma, flux_radius. The label path is everything: read, views, network, measures, verdict,
picture, frames.json, frames.csv and report.html. One thread, turn and turn about, so that a busy
machine slows both; medians and quartiles. On a busy machine the times of the processor are the
steadier ones; both are printed. The plain chain runs in a process of its own: labelling keeps freed
memory for itself (`classifier/kept_memory.py`), which would halve the plain chain's time too.
"""

import argparse
import gc
import multiprocessing
import statistics
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path

import numpy as np
import sep
import torch
from astropy.io import fits
from threadpoolctl import threadpool_limits

from classifier.cache import Cache
from classifier.errors import ModelError
from classifier.examine import encode
from classifier.frame import read_frame
from classifier.label import label_night
from classifier.measures import measure_frame
from classifier.network import Network, NetworkConfig
from classifier.picture import draw_picture
from classifier.report import write_report
from classifier.results import write_results
from classifier.views import make_views, physical_vector
from classifier.vocabulary import KEYS
from classifier.weights import Model, load_model
from training.calibrate import Familiar
from training.export import write_model

ASPECT = 1.5
TARGET, GOAL = 0.35, 0.2


def write_frame(path: Path, megapixels: float, stars: int, seed: int = 1) -> Path:
    """One 16-bit sub: Poisson sky of 1000 e, `stars` Moffat stars of 3.2 px, some hot pixels."""
    rng = np.random.default_rng(seed)
    height = int((megapixels * 1e6 / ASPECT) ** 0.5) // 2 * 2
    width = int(height * ASPECT) // 2 * 2
    light = np.full((height, width), 800.0, np.float32)
    light += np.linspace(0, 40, width, dtype=np.float32)
    a = 3.2 / 2 / (2 ** (1 / 3) - 1) ** 0.5
    # Counts that double with every 0.6 mag, from S/N 8 up to saturation.
    fluxes = np.minimum(600 * (rng.pareto(1.1, stars) + 1), 3e6)
    for x, y, flux in zip(
        rng.uniform(0, width - 1, stars), rng.uniform(0, height - 1, stars), fluxes, strict=True
    ):
        half = 24 if flux > 20_000 else 10
        top, left = max(0, round(y) - half), max(0, round(x) - half)
        part = light[top : round(y) + half + 1, left : round(x) + half + 1]
        rows, columns = np.ogrid[top : top + part.shape[0], left : left + part.shape[1]]
        part += flux * 2 / np.pi / a**2 * (1 + ((rows - y) ** 2 + (columns - x) ** 2) / a**2) ** -3
    adu = rng.poisson(light).astype(np.float32) + rng.normal(200, 3, light.shape)
    adu.flat[rng.integers(0, light.size, light.size // 20_000)] += 3000
    hdu = fits.PrimaryHDU(np.rint(adu).clip(0, 65535).astype(np.uint16))
    hdu.header.update(
        EXPTIME=120.0, EGAIN=1.0, RDNOISE=3.0, BLKLEVEL=200, XPIXSZ=3.76, FOCALLEN=530.0,
        APTDIA=106.0, OBJECT="Benchmark", FILTER="L", IMAGETYP="Light",
    )  # fmt: skip
    hdu.writeto(path)
    return path


def plain_chain(path: Path) -> int:
    """What the label path is held against; the number of objects."""
    sep.set_extract_pixstack(5_000_000)  # the default of 300,000 fails on crowded frames
    data = np.ascontiguousarray(fits.getdata(path).astype(np.float32))
    background = sep.Background(data)
    data = data - background.back()
    objects = sep.extract(data, 5.0, err=background.globalrms)
    sep.flux_radius(data, objects["x"], objects["y"], 6.0 * objects["a"], 0.5, subpix=5)
    return len(objects)


@dataclass
class Seconds:
    """What a job took where it ran; found: objects of the plain chain."""

    wall: float
    own: float
    found: int = 0


def measured(job: Callable[[], object]) -> Seconds:
    wall, own = time.perf_counter(), time.process_time()
    told = job()
    if isinstance(told, Seconds):
        return told
    found = told if isinstance(told, int) else 0
    return Seconds(time.perf_counter() - wall, time.process_time() - own, found)


def _serve(orders: Connection) -> None:
    with threadpool_limits(1):
        while (path := orders.recv()) is not None:
            orders.send(measured(lambda p=path: plain_chain(p)))


Plain = Callable[[Path], Seconds]


@contextmanager
def plain_process() -> Iterator[Plain]:
    """The plain chain in a process of its own, timed there."""
    context = multiprocessing.get_context("spawn")
    here, there = context.Pipe()
    process = context.Process(target=_serve, args=(there,))
    process.start()

    def run(path: Path) -> Seconds:
        here.send(path)
        return here.recv()

    try:
        yield run
    finally:
        here.send(None)
        process.join()


def label_path(
    files: list[Path], model: Model, out: Path, workers: int = 1, **more: object
) -> None:
    """Everything from files to outputs in a folder that is there; what lay in it is replaced."""
    results = label_night(files, None, model, workers, **more)
    write_results(results, out)
    write_report(results, out)


class Times:
    """Wall and processor seconds of jobs that are run turn and turn about."""

    def __init__(self, jobs: dict[str, Callable[[], object]], rounds: int) -> None:
        self.wall: dict[str, list[float]] = {name: [] for name in jobs}
        self.own: dict[str, list[float]] = {name: [] for name in jobs}
        for number in range(rounds + 1):
            for name, job in jobs.items():
                seconds = measured(job)
                if number > 0:  # the first round warms up
                    self.wall[name].append(seconds.wall)
                    self.own[name].append(seconds.own)

    def ratio(self, name: str, to: str) -> tuple[float, float]:
        """Median over the rounds of the ratio of wall and of processor times."""
        wall, own = (
            statistics.median(a / b for a, b in zip(kind[name], kind[to], strict=True))
            for kind in (self.wall, self.own)
        )
        return wall, own

    def line(self, name: str, to: str) -> str:
        low, middle, high = np.percentile(self.wall[name], (25, 50, 75)) * 1000
        own = statistics.median(self.own[name]) * 1000
        wall_ratio, own_ratio = self.ratio(name, to)
        return (
            f"  {name:22s} {middle:8.0f} ms [{low:6.0f} {high:6.0f}]   processor {own:7.0f} ms"
            f"   ratio {wall_ratio:5.2f} (processor {own_ratio:5.2f})"
        )


def default_model(folder: Path) -> Model:
    """The shipped model, or one of its size that was never trained: the time is the same."""
    try:
        return load_model(None)
    except ModelError as error:
        print(f"The default model cannot be used ({error}) An untrained one takes its place.")
    size = NetworkConfig().features
    fitted = {
        "calibration": {key: {"a": 0.0, "b": -6.0} for key in KEYS},
        **{name: dict.fromkeys(KEYS, 0.5) for name in ("prevalence", "prior")},
        **{name: dict.fromkeys(KEYS, 0.6) for name in ("thresholds", "unsure")},
        "familiar": Familiar(np.zeros(size), 1e-4 * np.eye(size), 1.0, 2.0),
        "calibration_frames": 0,
        "calibration_clean_frames": 0,
    }
    write_model(folder / "untrained", Network(), fitted, 0.9, {"command": "a benchmark"})
    return load_model(str(folder / "untrained"))


def main_ratio(
    folder: Path, model: Model, plain: Plain, megapixels: float, stars: int, rounds: int
) -> None:
    path = write_frame(folder / f"main-{megapixels:g}-{stars}.fits", megapixels, stars)
    frame = read_frame(path)
    with torch.inference_mode():
        pixels = torch.from_numpy(frame.pixels)[None]
        physical = physical_vector(frame.facts)[None]
        views, _, _ = encode(frame, model)

        jobs: dict[str, Callable[[], object]] = {
            "plain chain": lambda: plain(path),
            "label path, all of it": lambda: label_path([path], model, folder),
            "  reading, binning": lambda: read_frame(path).overview,
            "  views": lambda: make_views(pixels, physical, frame.overview),
            "  network": lambda: model.encoder.encode(views),
            "  measures": lambda: measure_frame(frame),
            "  thumbnail, stars": lambda: draw_picture(frame.pixels, views, frame.overview),
        }
        times = Times(jobs, rounds)
    print(f"\n{megapixels:g} Mpx, {stars} stars ({plain(path).found} found by the plain chain):")
    for name in jobs:
        print(times.line(name, "plain chain"))
    wall, own = times.ratio("label path, all of it", "plain chain")
    for kind, ratio in (("wall clock", wall), ("processor", own)):
        reached = "the goal" if ratio <= GOAL else "the target" if ratio <= TARGET else "neither"
        print(f"  {kind}: {ratio:.2f}; at most {TARGET}, aiming at {GOAL}: {reached} is reached")


def memory(path: Path, model_folder: Path, answer: "multiprocessing.Queue") -> None:
    """In a process of its own: memory in KiB with all loaded, and its peak after labelling."""
    model = load_model(str(model_folder))
    # Libraries that load their parts late are as much the interpreter's as torch is.
    tiny = write_frame(path.with_name("tiny.fits"), 0.05, 20)
    label_path([tiny], model, path.parent)
    before = _memory_kib("VmRSS")
    label_path([path, path], model, path.parent)
    answer.put((before, _memory_kib("VmHWM")))


def _memory_kib(name: str) -> int:
    """A field of Linux's own account; ru_maxrss would begin with what the parent once had."""
    text = Path("/proc/self/status").read_text()
    return int(text.split(f"{name}:")[1].split()[0])


def print_memory(folder: Path, model: Model, megapixels: float, most_mb: float) -> None:
    path = write_frame(folder / f"memory-{megapixels:g}.fits", megapixels, 5000)
    context = multiprocessing.get_context("spawn")
    answer = context.Queue()
    process = context.Process(target=memory, args=(path, model.folder, answer))
    process.start()
    before, after = answer.get()
    process.join()
    path.unlink()
    path.with_name("tiny.fits").unlink()
    used = (after - before) * 1024 / 1e6
    verdict = "kept" if used <= most_mb else "missed"
    print(f"  {megapixels:g} Mpx: {used:5.0f} MB (at most {most_mb:g}: {verdict})")


def write_night(folder: Path, count: int, megapixels: float, stars: int) -> list[Path]:
    folder.mkdir()
    first = write_frame(folder / "0000.fits", megapixels, stars)
    files = [first]
    data, header = fits.getdata(first, header=True)
    for index in range(1, count):  # each a little different, all as dear to look at
        files.append(folder / f"{index:04d}.fits")
        fits.writeto(files[-1], np.roll(data, 2 * index, axis=1), header)
    return files


def print_workers(folder: Path, model: Model, count: int) -> None:
    files = write_night(folder / "workers", count, 12.0, 4000)
    rates = {}
    for workers in (1, 2):
        ends: list[float] = []
        began = time.perf_counter()
        label_night(
            files, None, model, workers, lambda *told, e=ends: e.append(time.perf_counter())
        )
        # Frames per second once all workers are at work: what a long night sees.
        skipped = 2 * workers
        rates[workers] = (len(ends) - skipped) / (ends[-1] - ends[skipped - 1])
        seconds = ends[-1] - began
        print(f"  {workers} worker(s): {seconds:6.1f} s in all, {rates[workers]:.2f} frames/s")
    print(f"  two against one: {rates[2] / rates[1]:.2f} (at least 1.8 on two idle cores)")


def print_cache(folder: Path, model: Model, count: int) -> None:
    files = write_night(folder / "cache", count, 12.0, 4000)
    seconds = []
    for _ in range(2):
        gc.collect()  # or the second run pays for what the first one left behind, some 0.2 s
        began = time.perf_counter()
        label_path(files, model, folder, cache=Cache(folder / "kept", model.sha256, None))
        seconds.append(time.perf_counter() - began)
    print(
        f"  {count} frames: first run {seconds[0]:.1f} s, second {seconds[1]:.2f} s: "
        f"{seconds[0] / seconds[1]:.0f} times faster (at least 20)"
    )


def print_growth(folder: Path, model: Model, plain: Plain, full: bool) -> None:
    print(
        "\nGrowth with pixels (5,000 stars; seconds of the processor, lowest and highest of three):"
    )
    for megapixels in (1, 3, 6, 12, 26, 61) if full else (1, 6, 26):
        _print_point(folder, model, plain, f"{megapixels} Mpx", megapixels, 5000)
    print("Growth with stars (12 Mpx):")
    for stars in (100, 1000, 10_000, 100_000) if full else (100, 10_000, 100_000):
        _print_point(folder, model, plain, f"{stars} stars", 12, stars)
    print("Growth with frames (0.25 Mpx, outputs included):")
    for count in (10, 100, 1000) if full else (10, 50):
        files = write_night(folder / f"many-{count}", count, 0.25, 100)
        took = measured(lambda f=files: label_path(f, model, folder))
        print(
            f"  {count:6d} frames: {took.own:7.1f} s, {1000 * took.own / count:6.0f} ms a frame "
            f"(wall clock {1000 * took.wall / count:6.0f} ms)",
            flush=True,
        )


def _print_point(
    folder: Path, model: Model, plain: Plain, title: str, megapixels: float, stars: int
) -> None:
    path = write_frame(folder / f"growth-{megapixels}-{stars}.fits", megapixels, stars)
    jobs = {"plain": lambda: plain(path), "label": lambda: label_path([path], model, folder)}
    times = Times(jobs, 3)
    told = []
    for name in jobs:
        own = sorted(1000 * seconds for seconds in times.own[name])
        told.append(f"{name} {own[1]:6.0f} ms [{own[0]:5.0f} {own[2]:5.0f}]")
    wall, ratio = times.ratio("label", "plain")
    print(
        f"  {title:14s} {'   '.join(told)}   ratio {ratio:5.2f} (wall clock {wall:5.2f})",
        flush=True,
    )
    path.unlink()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--full", action="store_true", help="all sizes, 61 Mpx included")
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--megapixels", type=float, default=26.0)
    parser.add_argument("--only", choices=("ratio", "memory", "workers", "cache", "growth"))
    args = parser.parse_args()
    torch.set_num_threads(1)
    with threadpool_limits(1), tempfile.TemporaryDirectory() as name, plain_process() as plain:
        folder = Path(name)
        model = default_model(folder)
        if args.only in (None, "ratio"):
            for stars in (2000, 8000, 30_000):
                main_ratio(folder, model, plain, args.megapixels, stars, args.rounds)
        if args.only in (None, "memory"):
            print("\nPeak memory above the interpreter with torch and the model:")
            print_memory(folder, model, 26.0, 700.0)
            if args.full:
                print_memory(folder, model, 61.0, 1400.0)
        if args.only in (None, "workers"):
            print("\nWorkers (12 Mpx frames):")
            print_workers(folder, model, 40 if args.full else 16)
        if args.only in (None, "cache"):
            print("\nThe same night again, outputs included (12 Mpx frames):")
            print_cache(folder, model, 100 if args.full else 20)
        if args.only in (None, "growth"):
            print_growth(folder, model, plain, args.full)


if __name__ == "__main__":
    main()
