"""What the command line shows to people: the summary of a night, progress, tables.

Consoles are given, never made here: data belongs on stdout, progress and warnings on stderr.
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any

from rich.console import Console
from rich.padding import Padding
from rich.progress import (
    BarColumn,
    MofNCompleteColumn,
    Progress,
    ProgressColumn,
    Task,
    TextColumn,
    TimeRemainingColumn,
)
from rich.table import Table
from rich.text import Text

from classifier.compare import Comparison, agreement, by_frame, is_told
from classifier.compare import told as words
from classifier.cost_report import found_rows
from classifier.crosscheck import AGREEMENTS
from classifier.label import Progress as Report
from classifier.night import Share, Summary, severity, summarise
from classifier.night_reading import causes_told, headed, sureness
from classifier.results import FrameResult, Results
from classifier.scores import Scores
from classifier.sky_evidence import NO_OFFSET
from classifier.vocabulary import Verdict, fault
from classifier.wording import capital, counted, duration

LISTED = 6  # frames named in the summary; the report has them all
STYLES = {"keep": "cyan", "look": "yellow", "drop": "magenta"}


class RateColumn(ProgressColumn):
    """Frames per second, or seconds per frame when slower."""

    def render(self, task: Task) -> Text:
        speed = task.finished_speed or task.speed
        if not speed:
            return Text("", style="dim")
        told = f"{speed:.1f} frames/s" if speed >= 1 else f"{1 / speed:.1f} s/frame"
        return Text(told, style="dim")


@contextmanager
def frame_progress(console: Console, title: str) -> Iterator[Report]:
    """A progress bar on `console`; yields the function to call after every frame.

    Where the console is no terminal (a log file), nothing is drawn.
    """
    columns = (
        TextColumn("{task.description}"),
        BarColumn(bar_width=24),
        MofNCompleteColumn(),
        RateColumn(),
        TimeRemainingColumn(),
    )
    with Progress(
        *columns, console=console, transient=True, disable=not console.is_terminal
    ) as bar:
        task = bar.add_task(title, total=None)
        yield lambda done, total, name: bar.update(task, completed=done, total=total)


def show_summary(console: Console, results: Results) -> None:
    """The night on one screen: what must be said first, the verdicts, the faults, the worst."""
    summary = summarise(results)
    for finding in summary.findings:
        console.print(Text(f"! {finding}", style="bold yellow"))
    console.print(_verdicts(summary))
    if summary.faults:
        console.print("", _faults(results), sep="\n")
    for line in _causes(results):
        console.print(line)
    worst = [frame for frame in results.frames if not frame.error and frame.verdict != Verdict.KEEP]
    worst.sort(key=severity, reverse=True)
    for line in _worst(worst[:LISTED], len(worst)) if worst else ():
        console.print(Padding(line, (0, 0, 0, 8)) if line.style == "dim" else line)


def show_left_out(console: Console, results: Results) -> None:
    """Files without labels, each with its reason."""
    if results.skipped:
        kinds = counted(len(results.skipped), "calibration frame")
        console.print(f"{kinds} skipped, going by the header.")
        if _would_tell_offset(results):
            console.print(
                "The subs' level without light is unknown, so that nothing is measured in shares "
                "of the sky; name the bias frames by --bias."
            )
    for frame in results.unreadable:
        console.print(Text(f"{frame.path}: {frame.error}", style="red"))


def _would_tell_offset(results: Results) -> bool:
    """Whether bias frames lie beside subs whose offset nobody knows."""
    is_unknown = any(
        found.get("note") == NO_OFFSET
        for frame in results.frames
        for found in frame.evidence.values()
    )
    return is_unknown and any("bias" in skipped["reason"] for skipped in results.skipped)


def _verdicts(summary: Summary) -> Table:
    title = f"{counted(summary.frames, 'sub')} in {counted(summary.runs, 'run')}"
    table = Table(title=title, title_justify="left", box=None, show_header=False, padding=(0, 2))
    table.add_column()
    for _ in ("count", "share", "hours"):
        table.add_column(justify="right")
    for verdict in Verdict:
        share: Share = getattr(summary, verdict)
        part = f"{100 * share.count / summary.frames:.0f} %" if summary.frames else ""
        hours = duration(share.exposure_s) if share.exposure_s else ""
        table.add_row(Text(verdict, style=f"bold {STYLES[verdict]}"), str(share.count), part, hours)
    return table


def _faults(results: Results) -> Table:
    title = "What was found, the costliest first"
    table = Table(title=title, title_justify="left", box=None, padding=(0, 2, 0, 0))
    # On a narrow terminal the explanation wraps; the name and the counts never give way to it.
    table.add_column("fault", no_wrap=True)
    for name in ("drop", "look", "keep"):
        table.add_column(name, justify="right", no_wrap=True)
    table.add_column("measure sees it", justify="right", max_width=8)
    table.add_column("what it is", style="dim")
    for row in found_rows(results):
        counts = (row["drop"].count, row["look"].count, row["keep"].count)
        seen = f"{row['agree'] + row['seen']} of {row['count']}"
        table.add_row(row["title"], *(str(count or "–") for count in counts), seen, row["what"])
    return table


def _causes(results: Results) -> Iterator[Text]:
    """Causes that the course of a run makes at least possible, each once, with whether it presses
    and where it is likeliest."""
    several = len(results.readings) > 1
    told: dict[str, list[tuple[str, Mapping[str, Any]]]] = {}
    for reading, cause in causes_told(results.readings):
        told.setdefault(cause["cause"], []).append((headed(reading), cause))
    if told:
        yield Text("\nWhat may lie behind it", style="italic")
    for found in told.values():
        run, best = max(found, key=lambda one: one[1]["likelihood"])
        line = f"  {capital(best['title'])}: {sureness(best['likelihood'])}"
        where = f" in {run}" if several else ""
        if len(found) > 1:
            where += f", and in {len(found) - 1} more"
        yield Text.assemble(line, (f" [{best['urgency']}]", "bold"), where)
    if told:
        yield Text("  The report and `nightcull night` tell the signs and what to do.", style="dim")


def _worst(frames: Sequence[FrameResult], total: int) -> Iterator[Text]:
    """A line with verdict and name, and below it the reason: names and reasons may be long."""
    title = "Subs to look at first"
    if total > len(frames):
        title += f" ({len(frames)} of {total}; the report has the others)"
    yield Text(f"\n{title}", style="italic")
    for frame in frames:
        verdict = str(frame.verdict)
        yield Text.assemble((f"  {verdict:6}", STYLES[verdict]), frame.path)
        yield Text(frame.why, style="dim")


def show_comparison(console: Console, comparison: Comparison, shown: int) -> None:
    """Model against measure per fault, then the frames they dispute."""
    table = Table(box=None, padding=(0, 1))
    table.add_column("fault", no_wrap=True)
    for name in (*AGREEMENTS, "kappa"):
        table.add_column(name, justify="right", max_width=8)
    for tally in filter(is_told, comparison.tallies):
        kappa = "–" if math.isnan(tally.kappa) else f"{tally.kappa:.2f}"
        counts = (str(tally.counts[name]) for name in AGREEMENTS)
        table.add_row(capital(fault(tally.fault).title), *counts, kappa)
    console.print(agreement(comparison), "", markup=False, sep="\n")
    if table.row_count:
        console.print(table)
    quiet = [fault(tally.fault).title for tally in comparison.tallies if not is_told(tally)]
    if quiet:
        console.print(Text(f"Neither finds in any sub: {', '.join(quiet)}.", style="dim"))
    if comparison.scores is not None:
        console.print("", _scores(comparison.scores), sep="\n")
        for note in comparison.scores.notes:
            console.print(note, style="dim", markup=False)
    if comparison.disputes:
        console.print("\nDisputed, the strongest disputes first:", style="italic")
    frames = by_frame(comparison.disputes)
    for path in list(frames)[:shown]:
        console.print(Text(path, style="bold"))
        for dispute in frames[path]:
            console.print(Text(f"  {words(dispute)}"))
    if len(frames) > shown:
        console.print(f"... and {len(frames) - shown} more; --top shows more of them.")


def _scores(scores: Scores) -> Table:
    """Model and measure, each against the truth: first the model's figure, then the measure's."""
    title = f"Against the truth of {counted(scores.frames, 'sub')}: the model, then the measure"
    table = Table(title=title, title_justify="left", box=None, padding=(0, 1))
    table.add_column("fault", no_wrap=True)
    names = ("average_precision", "recall", "precision", "false_alarms")
    for name in ("with it", "AP", "recall", "precision", "false"):
        table.add_column(name, justify="right", no_wrap=True)
    for row in scores.rows():
        pairs = (f"{row['model'][name]} {row['measure'][name]:>4}" for name in names)
        table.add_row(row["title"], str(row["positives"]), *pairs)
    macro = (f"{scores.macro(judge):.2f}" for judge in ("model", "measure"))
    table.add_row("mean", "", " ".join(macro), style="bold")
    return table
