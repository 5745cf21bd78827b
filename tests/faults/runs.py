"""Runs in processes of their own, which can be watched, killed at a moment, or denied what they need."""

import multiprocessing
import os
import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, timedelta
from functools import wraps
from importlib import import_module
from itertools import pairwise
from multiprocessing.context import ForkServerProcess
from pathlib import Path
from typing import Any

import polars as pl

from pipelines.home import Home
from pipelines.simulating import simulate
from tests.answers import PUBLISHED, answers

AS_OF = date(2026, 6, 30)
YESTERDAY = AS_OF - timedelta(days=1)
HISTORY = "check_history"
"""What the checks of past runs found: it tells of the runs themselves, killed ones too."""
CLOCK_COLUMNS = {"loads": ["loaded_at"], "snapshots": ["published_at"]}
"""Columns that say when a run happened, and so differ between two runs of the same files."""
IN_MEMORY = Path("/dev/shm")
STARTING = "starting"
STEPS_WITHIN = {
    "typing": ("pipelines.recording", "type_landed"),
    "judging": ("pipelines.recording", "judge_records"),
    "placing": ("pipelines.publishing", "_flush"),
}
"""Parts of a step that are stages of their own, each by the function whose call begins it."""

Tables = dict[str, pl.DataFrame]

processes = multiprocessing.get_context("forkserver")
processes.set_forkserver_preload(
    ["great_expectations", "polars", "plotly", "scipy.optimize", "pipelines.definitions", "dashboards.report"]
)


@dataclass(frozen=True)
class Moment:
    """A moment of a run.

    Args:
        stage: The stage it lies in, as `stages` names them.
        seconds: How long after that stage began.
    """

    stage: str
    seconds: float


@contextmanager
def scratch_folder() -> Iterator[Path]:
    """A folder in memory where there is such a thing; writing there costs the least."""
    with tempfile.TemporaryDirectory(dir=IN_MEMORY if IN_MEMORY.is_dir() else None) as folder:
        yield Path(folder)


def lay_out_fleet(path: Path) -> Home:
    """A small fleet's home that no run has seen."""
    simulate(path, vehicles=24, years=2.0, seed=5)
    return Home(path)


def lay_out_yesterday(fleet: Home, path: Path) -> Home:
    """The home of a fleet that published some of its files yesterday and finds all of them in its inbox today."""
    home = copy_of(fleet, path)
    later = [file for file in sorted(home.inbox.iterdir())[::3] if file.name != "fleet_register.csv"]
    for file in later:
        file.rename(home.path / file.name)
    finish(home, as_of=YESTERDAY)
    for file in later:
        (home.path / file.name).rename(file)
    return home


def lay_out_changed(published: Home, path: Path) -> Home:
    """The home of a fleet that published everything and then was given other thresholds: all is built anew."""
    home = copy_of(published, path)
    with home.settings_file.open("a", encoding="utf-8") as settings:
        settings.write("\n[episodes]\ncomeback_days = 1095\ncomeback_km = 200000\n\n[odometer]\nmax_km_per_day = 100\n")
    return home


def copy_of(home: Home, path: Path) -> Home:
    """Copy a home with all that runs made in it."""
    shutil.copytree(home.path, path, symlinks=True)
    return Home(path)


def finish(home: Home, *, as_of: date = AS_OF) -> dict[str, float]:
    """Run undisturbed and return the seconds that each stage took, in the order they began."""
    ours, theirs = processes.Pipe(duplex=False)
    process = _started(_refresh, home.path, as_of, theirs, None)
    process.join()
    assert process.exitcode == 0
    began = ours.recv()
    return {stage: end - start for (stage, start), (_, end) in pairwise(began)}


def kill(home: Home, moment: Moment) -> bool:
    """Run and kill the run at a moment; return whether it lived that long."""
    process = _started(_refresh, home.path, AS_OF, None, moment)
    process.join()
    assert process.exitcode in (0, -signal.SIGALRM)
    return process.exitcode != 0


def command(*words: str | Path, before: Callable[[], None] | None = None) -> tuple[int, str]:
    """Give the command some words; return its exit code and what it said on standard error.

    Args:
        words: After `releak`.
        before: Called in the command's process first; takes away what the command needs.
    """
    with tempfile.NamedTemporaryFile("r", encoding="utf-8") as said:
        process = _started(_command, [str(word) for word in words], before, said.name)
        process.join()
        return process.exitcode, said.read()


def exit_code_of(target: Callable[..., None], *args: Any) -> int | None:
    """Call a function in a process of its own and return what the process ended with."""
    process = _started(target, *args)
    process.join()
    return process.exitcode


def published(home: Home) -> Tables:
    """All that a home publishes, but for when and by how many runs it came about."""
    told = answers(home, {table: query for table, query in PUBLISHED.items() if table != HISTORY})
    return {table: frame.drop(CLOCK_COLUMNS.get(table, [])) for table, frame in told.items()}


def differing(tables: Tables, expected: Tables) -> list[str]:
    """The tables that are not as expected."""
    return [table for table in expected if not tables[table].equals(expected[table])]


def _started(target: Callable[..., None], *args: Any) -> ForkServerProcess:
    process = processes.Process(target=target, args=args)
    process.start()
    return process


def _refresh(home: Path, as_of: date, report: Any, kill_at: Moment | None) -> None:
    """Run; note when each stage begins, and die in one where told."""
    from pipelines.refreshing import refresh

    began: list[tuple[str, float]] = []

    def begin(stage: str) -> None:
        began.append((stage, time.perf_counter()))
        if kill_at is not None and stage == kill_at.stage:
            signal.setitimer(signal.ITIMER_REAL, max(kill_at.seconds, 1e-6))

    for stage, (module, name) in STEPS_WITHIN.items():
        _announce(stage, import_module(module), name, begin)
    begin(STARTING)
    refresh(Home(home), as_of=as_of, on_step=lambda step, _: begin(step))
    begin("the end")
    if report is not None:
        report.send(began)


def _announce(stage: str, module: Any, name: str, begin: Callable[[str], None]) -> None:
    """Have a function say that a stage begins each time it is called."""
    function = getattr(module, name)

    @wraps(function)
    def announced(*args: Any, **options: Any) -> Any:
        begin(stage)
        return function(*args, **options)

    setattr(module, name, announced)


def _command(words: list[str], before: Callable[[], None] | None, said: str) -> None:
    from pipelines.cli import main

    with open(said, "w", encoding="utf-8") as file:
        os.dup2(file.fileno(), sys.stderr.fileno())
    sys.argv = ["releak", *words]
    if before is not None:
        before()
    main()
