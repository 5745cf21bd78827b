"""A run may be killed at any moment: the old snapshot answers meanwhile, and a rerun publishes the same tables."""

import multiprocessing
import os
import random
import shutil
import time
from concurrent.futures import ThreadPoolExecutor
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
CHAINS = max(1, MOMENTS // 5)
LANES = 2
"""Runs at once, each in a home of its own."""
HISTORY = "check_history"
"""What the checks of past runs found: it tells of the runs themselves, killed ones too."""
CLOCK_COLUMNS = {"loads": ["loaded_at"], "snapshots": ["published_at"], "check_history": ["checked_at"]}
"""Columns that say when a run happened, and so differ between two runs of the same files."""
AS_OF = date(2026, 6, 30)
HEAVY = ["great_expectations", "dagster", "polars", "plotly", "scipy.optimize", "pipelines.refreshing"]

Tables = dict[str, pl.DataFrame]

runs = multiprocessing.get_context("forkserver")
runs.set_forkserver_preload(HEAVY)


def _refresh(home: Path) -> None:
    """One run in a process of its own, out of this one's sight."""
    from pipelines.refreshing import refresh

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


def _tables(home: Path) -> Tables:
    return {
        table: read_published(Home(home), f"FROM {table}").drop(CLOCK_COLUMNS.get(table, []))
        for tables in LAYERS.values()
        for table in tables
        if table != HISTORY
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
    later = [file for file in sorted((home / "inbox").iterdir())[::3] if file.name != "fleet_register.csv"]
    for file in later:
        file.rename(home / file.name)
    _finish(home)
    for file in later:
        (home / file.name).rename(home / "inbox" / file.name)
    return home


@pytest.fixture(scope="module")
def undisturbed(half_published: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Tables, float]:
    """What a run of all the files publishes, and how long it takes."""
    home = tmp_path_factory.mktemp("undisturbed") / "fleet"
    shutil.copytree(half_published, home, symlinks=True)
    seconds = _finish(home)
    return _tables(home), seconds


def _kill_then_finish(half_published: Path, home: Path, moments: list[float], before: Tables, expected: Tables) -> None:
    """Kill one run after another in a home, each on what the last one left, then let one run end."""
    shutil.copytree(half_published, home, symlinks=True)
    for moment in moments:
        process = _start(home)
        process.join(timeout=moment)
        process.kill()
        process.join()
        meanwhile = _tables(home)["episodes"]
        assert meanwhile.equals(before["episodes"]) or meanwhile.equals(expected["episodes"]), moment
    _finish(home)
    after = _tables(home)
    differing = [table for table in expected if not after[table].equals(expected[table])]
    assert differing == [], f"after runs killed at {moments}"
    shutil.rmtree(home)


@pytest.mark.timeout(3_600)
def test_a_killed_run_loses_nothing(half_published: Path, undisturbed: tuple[Tables, float], tmp_path: Path) -> None:
    expected, seconds = undisturbed
    before = _tables(half_published)
    assert not before["episodes"].equals(expected["episodes"]), "the second run must change something"
    chance = random.Random(20260630)
    moments = [chance.uniform(0.0, 1.2 * seconds) for _ in range(MOMENTS)]
    chains = [moments[start::CHAINS] for start in range(CHAINS)]
    with ThreadPoolExecutor(max_workers=LANES) as lanes:
        killed = [
            lanes.submit(_kill_then_finish, half_published, tmp_path / f"chain {number}", chain, before, expected)
            for number, chain in enumerate(chains)
        ]
        for one in killed:
            one.result()
