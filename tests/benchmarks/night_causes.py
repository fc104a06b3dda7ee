"""How often the true cause of a rendered night is ranked first, and how often a wrong one is sure.

    OMP_NUM_THREADS=1 .venv/bin/python tests/benchmarks/night_causes.py --nights 2 --workers 2

Per night 18 subs of 512 x 384 px are rendered, written, read and measured as `label` does it, but
without the network: what is told here is told by the measures. Some 6 s a night on a shared core;
--subs, --width and --height ask for nights nearer to a user's, which cost in proportion; what is
said below is of the size given first. --workers shares the nights out among processes of one thread
each, and changes no number. --json keeps the signs of every night.

Seeds are spent by setting limits on them and by judging limits with them: those below 100000,
110000 to 110299, 120000 to 120399, 200000 to 200999; 130000 to 131999, 20 nights of each cause:
true cause first in 462 of 560 (82 %), a wrong one sure in 9 (1.6 %); 140000 to 141199 with other
signs: 276 of 333 (83 %), a wrong one sure in 1 (0.3 %). On the nights of these the present signs
were made; 150000 to 151927 judged them once: 486 of 560 (86.8 %), a wrong one sure in 7 (1.3 %). Of
20 each: field coma 12, cable 13, seeing 14, wind and a knocked focuser 15, the others 16 to 20.
Limits were not changed since. On 160000 to 161104, twelve nights of each of five causes, clouds as
even as decks are over a field and the present search for trails were set against the former ones:
55 of 60, before 56, none wrongly sure. On 170000 to 171105, twelve nights of each of six causes,
the light lost against the sharp subs only was set against all: 64 of 72 told alike, signs differ in
27, two wrongly sure. 180000 to 181101, twelve nights each of cables and ghosts as they are drawn
now: first in 11 and 9, none wrongly sure. 190000 to 191927, 20 nights of each cause as now drawn:
486 of 560 (86.8 %), a wrong one sure in 5 (0.9 %). The default begins beyond them all.
"""

import argparse
import json
import multiprocessing
import os
import tempfile
import time
import warnings
from collections import Counter
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass
from itertools import pairwise
from pathlib import Path

import torch

from classifier.frame import read_frame
from classifier.measures import measure_frame
from classifier.night_causes import SURE, TOLD_FROM, likelihoods, signs_of
from classifier.night_line import NightSub, night_line
from synth.night import CAUSES
from synth.night_files import render_night

BINS = (0.15, 0.3, 0.5, 0.7, 0.8, 0.9, 1.0)


@dataclass(frozen=True)
class Told:
    """What one rendered night was told to suffer from. likely: of every cause; told: the
    likeliest, "clear" where none is worth a line; wrong: causes that are sure and not there."""

    cause: str
    seed: int
    told: str
    wrong: list[str]
    likely: dict[str, float]
    signs: dict[str, float]
    seconds: float


@dataclass(frozen=True)
class Job:
    """A night to be rendered: its cause, its seed, and how many subs of what size."""

    cause: str
    seed: int
    subs: int
    width_px: int
    height_px: int


def night_subs(job: Job) -> list[NightSub]:
    """A rendered night, measured."""
    subs = []
    size = job.width_px, job.height_px
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "subs"
        for path in render_night(out, job.subs, (job.cause,), *size, None, job.seed):
            frame = read_frame(path)
            subs.append(NightSub(path.name, frame.facts, frame.pixels.shape, measure_frame(frame)))
    return subs


def tell(job: Job) -> Told:
    """What is told of a night."""
    torch.set_num_threads(1)
    warnings.simplefilter("ignore")
    begin = time.perf_counter()
    signs = signs_of(night_line(night_subs(job)))
    likely = likelihoods(signs)
    best = max(likely, key=lambda key: likely[key])
    told = best if likely[best] >= TOLD_FROM else "clear"
    wrong = [key for key, value in likely.items() if value > SURE and key != job.cause]
    return Told(job.cause, job.seed, told, wrong, likely, signs, time.perf_counter() - begin)


def told_nights(jobs: Sequence[Job], workers: int) -> Iterator[Told]:
    """What is told of each night, in the order of the jobs."""
    if workers <= 1:
        yield from map(tell, jobs)
        return
    # Read by the libraries of the workers when they load.
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ[name] = "1"
    spawn = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(workers, mp_context=spawn) as pool:
        yield from pool.map(tell, jobs)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--nights", type=int, default=1, help="per cause")
    parser.add_argument("--subs", type=int, default=18)
    parser.add_argument("--width", type=int, default=512, help="of a sub, px")
    parser.add_argument("--height", type=int, default=384, help="of a sub, px")
    parser.add_argument("--seed", type=int, default=210_000)
    parser.add_argument("--causes", nargs="*", default=list(CAUSES))
    parser.add_argument("--workers", type=int, default=1, help="processes of one thread each")
    parser.add_argument("--json", type=Path, help="file for the signs of every night")
    asked = parser.parse_args()
    jobs = [
        Job(cause, asked.seed + 100 * number + k, asked.subs, asked.width, asked.height)
        for number in range(asked.nights)
        for k, cause in enumerate(asked.causes)
    ]
    nights = []
    for night in told_nights(jobs, asked.workers):
        nights.append(night)
        stated = f"{night.told} {night.likely.get(night.told, 0):.2f}"
        print(f"{night.cause:22} seed {night.seed}: {stated} {night.wrong}", flush=True)
        if asked.json:  # after every night, so that a run cut short keeps what it has
            asked.json.write_text(json.dumps([asdict(one) for one in nights]), encoding="utf-8")
    print(summary(nights))


def summary(nights: Sequence[Told]) -> str:
    """How often each cause was ranked first, how often wrong ones were sure, and how true the
    likelihoods are."""
    total = Counter(night.cause for night in nights)
    first = Counter(night.cause for night in nights if night.told == night.cause)
    surely_wrong = sum(bool(night.wrong) for night in nights)
    lines = [f"{cause:22} first in {first[cause]} of {total[cause]}" for cause in total]
    lines.append(f"true cause first: {first.total()} of {len(nights)}")
    lines.append(f"nights with a wrong cause over {SURE}: {surely_wrong} of {len(nights)}")
    stated = [
        (value, key == night.cause) for night in nights for key, value in night.likely.items()
    ]
    for low, high in pairwise(BINS):
        inside = [right for value, right in stated if low <= value < high]
        if inside:
            lines.append(f"stated {low} to {high}: {sum(inside)} of {len(inside)} true")
    spent_s = sum(night.seconds for night in nights) / max(len(nights), 1)
    return "\n".join(["", *lines, f"{spent_s:.1f} s a night in one process"])


if __name__ == "__main__":
    main()
