"""A run may be killed at any moment of any stage: the old snapshot answers, and a rerun publishes the same tables."""

import os
import random
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from models.errors import NothingPublishedError
from models.tables import LAYERS
from pipelines.home import Home
from tests.faults import runs

MOMENTS = int(os.environ.get("RELEAK_KILLED_RUNS", "6"))
"""How many runs are killed; more with the environment variable, by hand."""
KILLS_BEFORE_A_RERUN = 5
UNDISTURBED = "undisturbed"
"""Folder of the homes in which a run was left to end."""
SEED = int(os.environ.get("RELEAK_KILLED_RUNS_SEED", "20260630"))


@dataclass(frozen=True)
class Start:
    """What a run starts from, and what it comes to undisturbed.

    Args:
        home: The home before the run; it is copied, never run in.
        before: What it publishes before the run, None where nothing.
        after: What it publishes after the run.
        stages: Stage to the seconds of each step in it.
    """

    home: Home
    before: runs.Tables | None
    after: runs.Tables
    stages: dict[str, dict[str, float]]


@pytest.fixture(scope="module")
def starts() -> Iterator[dict[str, Start]]:
    """A first build, a run that finds new files the day after, and one that finds other thresholds."""
    with runs.scratch_folder() as folder:
        fleet = runs.lay_out_fleet(folder / "fleet")
        first = _undisturbed(fleet, folder / UNDISTURBED)
        yesterday = runs.lay_out_yesterday(fleet, folder / "yesterday")
        changed = runs.lay_out_changed(Home(folder / UNDISTURBED / "fleet"), folder / "changed")
        later = {home.path.name: _undisturbed(home, folder / UNDISTURBED) for home in (yesterday, changed)}
        yield {"fleet": first, **later}


def _undisturbed(home: Home, folder: Path) -> Start:
    done = runs.copy_of(home, folder / home.path.name)
    stages: dict[str, dict[str, float]] = defaultdict(dict)
    for step, seconds in runs.finish(done).items():
        stages[_stage_of(step)][step] = seconds
    before = runs.published(home) if home.pointer.exists() else None
    return Start(home, before, runs.published(done), stages)


def _stage_of(step: str) -> str:
    """Steps of one nature are one stage; each table of the ledger is a stage of its own."""
    if step.endswith("_checks"):
        return "checks"
    return next((layer for layer in ("measures", "plan") if step in LAYERS[layer]), step)


def _moments(starts: dict[str, Start], chance: random.Random) -> list[tuple[str, runs.Moment]]:
    """Random moments of all stages in turn, so that each is met as often as any other."""
    rounds = []
    while len(rounds) < MOMENTS:
        every = [(start, stage) for start in starts for stage in starts[start].stages]
        rounds += chance.sample(every, len(every))
    return [(start, _moment_in(starts[start].stages[stage], chance)) for start, stage in rounds[:MOMENTS]]


def _moment_in(steps: dict[str, float], chance: random.Random) -> runs.Moment:
    step = chance.choice(list(steps))
    return runs.Moment(step, chance.uniform(0.0, steps[step]))


def _kill_then_rerun(start: Start, moments: list[runs.Moment]) -> list[str]:
    """Kill one run after another in a home, each on what the last one left, then let one end; say what went wrong."""
    with runs.scratch_folder() as folder:
        home = runs.copy_of(start.home, folder / "home")
        faults = []
        for moment in moments:
            runs.kill(home, moment)
            home.check_free()
            faults += _fault_of_what_is_published(home, start)
        runs.finish(home)
        return faults + [
            f"{table} differs after the rerun" for table in runs.differing(runs.published(home), start.after)
        ]


def _fault_of_what_is_published(home: Home, start: Start) -> list[str]:
    """It is what was published before, or all that the run publishes, and nothing between."""
    try:
        tables = runs.published(home)
    except NothingPublishedError:
        return ["the snapshot is gone"] if start.before is not None else []
    wholes = [whole for whole in (start.before, start.after) if whole is not None]
    return [] if any(not runs.differing(tables, whole) for whole in wholes) else ["what is published is half of each"]


@pytest.mark.timeout(7_200)
def test_a_run_killed_at_any_moment_of_any_stage_loses_nothing(starts: dict[str, Start]) -> None:
    for name, altered in (("yesterday", "work_orders"), ("changed", "odometer_curve")):
        start = starts[name]
        assert start.before is not None
        different = set(runs.differing(start.before, start.after))
        assert {"episodes", "comeback_shares", altered} <= different, f"the run of {name} must change something"
    faults = {}
    moments = _moments(starts, random.Random(SEED))
    for name, start in starts.items():
        own = [moment for whose, moment in moments if whose == name]
        for first in range(0, len(own), KILLS_BEFORE_A_RERUN):
            killed_at = own[first : first + KILLS_BEFORE_A_RERUN]
            if found := _kill_then_rerun(start, killed_at):
                faults[name, *killed_at] = found
            print(f"{name}, killed at {killed_at}: {found or 'as if never killed'}", flush=True)
    assert not faults
