"""A run may be killed at any moment: the old snapshot answers meanwhile, and a rerun publishes the same tables."""

import multiprocessing
import os
import random
import shutil
import signal
import time
from datetime import date
from pathlib import Path

import polars as pl
import pytest

from models.tables import LAYERS
from pipelines.home import Home
from pipelines.publishing import read_published
from pipelines.simulating import simulate

MOMENTS = int(os.environ.get("RELEAK_KILLED_RUNS", "20"))
"""How many runs are killed; more with the environment variable, by hand."""
CLOCK_COLUMNS = {"loads": ["loaded_at"], "snapshots": ["published_at"]}
"""Columns that say when a run happened, and so differ between two runs of the same files."""
AS_OF = date(2026, 6, 30)
HEAVY = ["great_expectations", "dagster", "polars", "plotly", "scipy.optimize", "pipelines.refreshing"]

runs = multiprocessing.get_context("forkserver")
runs.set_forkserver_preload(HEAVY)


def _refresh(home: Path) -> None:
    """One run in a process of its own, out of this one's sight."""
    from pipelines.refreshing import refresh

    os.setsid()
    refresh(Home(home), as_of=AS_OF)


def _start(home: Path) -> multiprocessing.Process:
    process = runs.Process(target=_refresh, args=(home,))
    process.start()
    return process


def _finish(home: Path) -> float:
    """Run undisturbed and return the seconds it took."""
    started = time.perf_counter()
    process = _start(home)
    process.join()
    assert process.exitcode == 0
    return time.perf_counter() - started


def _tables(home: Path) -> dict[str, pl.DataFrame]:
    return {
        table: read_published(Home(home), f"FROM {table}").drop(CLOCK_COLUMNS.get(table, []))
        for tables in LAYERS.values()
        for table in tables
    }


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("fleet")
    simulate(out, vehicles=40, years=2.0, seed=5)
    return out


@pytest.fixture(scope="module")
def half_published(fleet: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A home that published some of the files yesterday and finds all of them in its inbox today."""
    home = tmp_path_factory.mktemp("home") / "fleet"
    shutil.copytree(fleet, home)
    later = sorted((home / "inbox").iterdir())[::3]
    for file in later:
        file.rename(home / file.name)
    _finish(home)
    for file in later:
        (home / file.name).rename(home / "inbox" / file.name)
    return home


@pytest.fixture(scope="module")
def undisturbed(
    half_published: Path, tmp_path_factory: pytest.TempPathFactory
) -> tuple[dict[str, pl.DataFrame], float]:
    """What a run of all the files publishes, and how long it takes."""
    home = tmp_path_factory.mktemp("undisturbed") / "fleet"
    shutil.copytree(half_published, home, symlinks=True)
    seconds = _finish(home)
    return _tables(home), seconds


@pytest.mark.timeout(3_600)
def test_a_killed_run_loses_nothing(
    half_published: Path, undisturbed: tuple[dict[str, pl.DataFrame], float], tmp_path: Path
) -> None:
    expected, seconds = undisturbed
    before = _tables(half_published)
    assert not before["episodes"].equals(expected["episodes"]), "the second run must change something"
    moments = random.Random(20260630)
    for number in range(MOMENTS):
        home = tmp_path / f"killed {number}"
        shutil.copytree(half_published, home, symlinks=True)
        process = _start(home)
        process.join(timeout=moments.uniform(0.0, seconds))
        os.kill(process.pid, signal.SIGKILL)
        process.join()
        meanwhile = _tables(home)["episodes"]
        assert meanwhile.equals(before["episodes"]) or meanwhile.equals(expected["episodes"])
        _finish(home)
        after = _tables(home)
        differing = [table for table in expected if not after[table].equals(expected[table])]
        assert differing == [], f"killed run {number}"
        shutil.rmtree(home)
