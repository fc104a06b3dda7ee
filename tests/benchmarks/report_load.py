"""How large the report of a long night is, and how soon a browser shows it.

    .venv/bin/python tests/benchmarks/report_load.py --subs 600

Made-up results with pictures of rendered subs go through the real report writer; a headless
chromium opens the page from disk. Told are: until its content has been drawn for the first time,
until everything has loaded, and until a jump to the last sub is drawn. The goal is 2 s at 600 subs
and 25 MB.
"""

import argparse
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from browser import browser, found_browser
from long_night import long_night, rendered_pictures

from classifier.report import write_report

FIRST = """performance.getEntriesByName('first-contentful-paint')[0]?.startTime
    ?? new Promise(done => new PerformanceObserver((seen) => done(seen.getEntries()[0].startTime))
    .observe({type: 'paint', buffered: true}))"""
LOADED = "performance.getEntriesByType('navigation')[0].loadEventEnd"
DRAWN = "new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--subs", type=int, default=600)
    parser.add_argument("--rounds", type=int, default=5)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as name, browser(found_browser()) as one:
        folder = Path(name)
        night = long_night(rendered_pictures(folder), asked.subs)
        begin = time.perf_counter()
        page = write_report(night, folder)
        print(f"written in {time.perf_counter() - begin:.1f} s, {page.stat().st_size / 1e6:.1f} MB")
        one.size(1400, 900)
        for _ in range(asked.rounds):
            one.open(page)
            first, loaded = one.run(FIRST), one.run(LOADED)
            begin = time.perf_counter()
            one.run("[...document.querySelectorAll('article')].at(-1).scrollIntoView()")
            one.run(DRAWN)
            jump = time.perf_counter() - begin
            print(
                f"first drawn {first / 1e3:.2f} s, loaded {loaded / 1e3:.2f} s, jump {jump:.2f} s"
            )


if __name__ == "__main__":
    main()
