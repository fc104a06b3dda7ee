"""How often the true cause of a rendered night is ranked first, and how often a wrong one is sure.

    OMP_NUM_THREADS=1 .venv/bin/python tests/benchmarks/night_causes.py --nights 2

Per night 18 subs of 512 x 384 px are rendered, written, read and measured as `label` does it, but
without the network: what is told here is told by the measures. 3 to 15 s a night. Seeds below
40000 and from 70000 to 70099 were used to set the limits of the causes; seeds from 70100 to 79999
judged them. The default begins beyond them all.
"""

import argparse
import tempfile
import warnings
from collections import Counter
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


def night_subs(cause: str, seed: int, count: int) -> list[NightSub]:
    """A rendered night, measured."""
    subs = []
    with tempfile.TemporaryDirectory() as folder:
        for path in render_night(Path(folder) / "subs", count, (cause,), 512, 384, None, seed):
            frame = read_frame(path)
            subs.append(NightSub(path.name, frame.facts, frame.pixels.shape, measure_frame(frame)))
    return subs


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--nights", type=int, default=1, help="per cause")
    parser.add_argument("--subs", type=int, default=18)
    parser.add_argument("--seed", type=int, default=90_000)
    parser.add_argument("--causes", nargs="*", default=list(CAUSES))
    asked = parser.parse_args()
    torch.set_num_threads(1)
    warnings.simplefilter("ignore")
    first, surely_wrong, total = Counter[str](), 0, 0
    stated: list[tuple[float, bool]] = []
    for number in range(asked.nights):
        for k, cause in enumerate(asked.causes):
            seed = asked.seed + 100 * number + k
            likely = likelihoods(signs_of(night_line(night_subs(cause, seed, asked.subs))))
            best = max(likely, key=lambda key: likely[key])
            told = best if likely[best] >= TOLD_FROM else "clear"
            wrong = [key for key, value in likely.items() if value > SURE and key != cause]
            first[cause] += told == cause
            surely_wrong += bool(wrong)
            total += 1
            stated += [(value, key == cause) for key, value in likely.items()]
            print(f"{cause:22} seed {seed}: {told} {likely.get(told, 0):.2f} {wrong}", flush=True)
    print()
    for cause in asked.causes:
        print(f"{cause:22} first in {first[cause]} of {asked.nights}")
    print(f"true cause first: {first.total()} of {total}")
    print(f"nights with a wrong cause over {SURE}: {surely_wrong} of {total}")
    for low, high in pairwise(BINS):
        inside = [right for value, right in stated if low <= value < high]
        if inside:
            print(f"stated {low} to {high}: {sum(inside)} of {len(inside)} true")


if __name__ == "__main__":
    main()
