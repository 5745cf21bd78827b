"""What a run needs is refused, by the system or by another run: one plain sentence, and the last snapshot answers."""

import errno
import io
import os
import re
import resource
import shutil
import signal
import sqlite3
import subprocess
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from itertools import count
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
import pytest

from dashboards.report import PAGES, write_report
from models.errors import ReleakError, SourceMapError, UnreadableFileError
from models.settings import Settings
from models.tables import LAYERS
from pipelines.demo import lay_out
from pipelines.home import Home
from pipelines.landing import land_inbox, source_maps
from pipelines.publishing import describe_snapshot, publish, read_published
from pipelines.refusals import refusal
from pipelines.settings import read_settings
from pipelines.warehouse import Warehouse
from tests.faults import runs

OPERATIONS = {os: ("replace", "fsync", "symlink", "unlink", "mkdir", "chmod"), io: ("open",)}
"""What asks the system for something when a snapshot or the pages are put in place."""
NOBODY = 65_534


class _System:
    """Counts what is asked of it in a folder, and refuses one thing."""

    def __init__(self, folder: Path, monkeypatch: pytest.MonkeyPatch, refuse: Callable[[], None]) -> None:
        self._folder, self._refuse, self._left = str(folder), refuse, 0
        for module, names in OPERATIONS.items():
            for name in names:
                monkeypatch.setattr(module, name, self._counting(getattr(module, name)))

    def _counting(self, function: Callable[..., Any]) -> Callable[..., Any]:
        def counted(what: Any, *others: Any, **options: Any) -> Any:
            if self._left and (isinstance(what, int) or str(what).startswith(self._folder)):
                self._left -= 1
                if not self._left:
                    self._refuse()
            return function(what, *others, **options)

        return counted

    def refuses(self, number: int, do: Callable[[], object]) -> bool:
        """Do something of which so many things are asked before one is refused; say whether it came to that."""
        self._left = number
        with suppress(OSError):
            do()
        was_refused, self._left = not self._left, 0
        return was_refused


def _disk_is_full() -> None:
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def _die() -> None:
    os.kill(os.getpid(), signal.SIGKILL)


@pytest.fixture(scope="module")
def published(tmp_path_factory: pytest.TempPathFactory) -> Home:
    """A home that has published one vehicle."""
    made = Home(tmp_path_factory.mktemp("published") / "fleet")
    made.prepare()
    warehouse = Warehouse(made.warehouse)
    warehouse.prepare()
    for layer, tables in LAYERS.items():
        for table, schema in tables.items():
            warehouse.write(layer, table, schema.create_empty())
    _publish(made, 1)
    return made


@pytest.fixture
def home(published: Home, tmp_path: Path) -> Home:
    return runs.copy_of(published, tmp_path / "fleet")


def _seen(vehicles: int) -> pl.DataFrame:
    """A table of so many vehicles."""
    named = pl.DataFrame({"vehicle_id": [f"V{number}" for number in range(vehicles)]})
    return named.with_columns(first_on=runs.AS_OF, last_on=runs.AS_OF, last_at=datetime(2026, 6, 30, tzinfo=UTC))


def _publish(home: Home, vehicles: int) -> None:
    """Publish a table of so many vehicles as the snapshot of so many."""
    Warehouse(home.warehouse).write("ledger", "last_records", _seen(vehicles))
    described = describe_snapshot([], settings=Settings(), as_of=runs.AS_OF)
    publish(Warehouse(home.warehouse), home, described.with_columns(snapshot_id=pl.lit(f"{vehicles:03}")))


def _vehicles(home: Home) -> int:
    """How many vehicles are published; the snapshot's own name says the same."""
    newest = "SELECT max_by(snapshot_id, published_at) FROM snapshots"
    found = read_published(home, f"SELECT count(*) AS vehicles, ({newest}) AS said FROM last_records")
    assert int(found["said"].item()) == found["vehicles"].item()
    return int(found["vehicles"].item())


def test_whatever_is_refused_while_publishing_the_old_snapshot_answers_or_the_new(
    home: Home, monkeypatch: pytest.MonkeyPatch
) -> None:
    system = _System(home.path, monkeypatch, _disk_is_full)
    for vehicles in count(1):
        if not system.refuses(vehicles, lambda: _publish(home, vehicles + 1)):  # noqa: B023
            break
        assert _vehicles(home) in (vehicles, vehicles + 1)
        _publish(home, vehicles + 1)
        assert _vehicles(home) == vehicles + 1
        assert not list(home.published.glob("*.building*"))
    assert vehicles > 5


def _publish_and_die(home: Path, number: int) -> None:
    """Publish a second vehicle, and die where so many things have been asked of the system."""
    system = _System(home, pytest.MonkeyPatch(), _die)
    system.refuses(number, lambda: _publish(Home(home), 2))


def test_a_kill_at_each_step_of_publishing_leaves_the_old_snapshot_or_the_new(home: Home, tmp_path: Path) -> None:
    for number in count(1):
        killed = runs.copy_of(home, tmp_path / str(number))
        if runs.exit_code_of(_publish_and_die, killed.path, number) == 0:
            break
        assert _vehicles(killed) in (1, 2)
        _publish(killed, 2)
        assert _vehicles(killed) == 2
        assert not list(home.published.glob("*.building*"))
    assert number > 5


def test_readers_see_one_snapshot_or_another_while_they_are_published(home: Home) -> None:
    seen, done = set[int](), threading.Event()

    def read() -> None:
        while not done.is_set():
            seen.add(_vehicles(home))

    with ThreadPoolExecutor() as readers:
        reading = [readers.submit(read) for _ in range(2)]
        for vehicles in (2, 3, 1, 2, 3):
            _publish(home, vehicles)
        done.set()
    assert [one.exception() for one in reading] == [None, None]
    assert len(seen) > 1


def test_whatever_is_refused_while_the_pages_are_written_there_is_a_whole_report(
    home: Home, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("dashboards.report.PAGES", PAGES[-1:])
    write_report(home.snapshot(), home.report)
    pages = sorted(file.relative_to(home.report) for file in home.report.rglob("*"))
    system = _System(home.path, monkeypatch, _disk_is_full)
    for number in count(1):
        if not system.refuses(number, lambda: write_report(home.snapshot(), home.report)):
            break
        assert sorted(file.relative_to(home.report) for file in home.report.rglob("*")) == pages, number
    assert number > 5


def test_an_error_that_names_no_file_names_the_folder_of_the_pages(home: Home, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("dashboards.report._write_tables", lambda *_: _disk_is_full())
    with pytest.raises(OSError, match="No space left") as error:
        write_report(home.snapshot(), home.report)
    assert str(refusal(error.value)).startswith(f"{home.report}: the disk is full. Free some space")


@contextmanager
def _only_readable(folder: Path) -> Iterator[None]:
    """Take away the right to write in a folder; root writes wherever the disk lets it, so root gets another disk."""
    if os.geteuid():
        folder.chmod(0o555)
        yield
        folder.chmod(0o755)
        return
    bound = subprocess.run(["mount", "--bind", folder, folder], capture_output=True, text=True, check=False)
    if bound.returncode:
        pytest.skip(f"root that may not mount can always write: {bound.stderr.strip()}")
    try:
        subprocess.run(["mount", "-o", "remount,bind,ro", folder], check=True)
        yield
    finally:
        subprocess.run(["umount", folder], check=True)


@pytest.mark.parametrize("name", ["", "warehouse", "published", "warehouse/dagster", "warehouse/releak.duckdb"])
def test_what_cannot_be_written_is_named_before_anything_is_done(home: Home, name: str) -> None:
    (home.inbox / "vehicles.csv").write_text("vehicle_id,engine_family,site,in_service_on\nV,F,S,2020-01-01\n")
    with _only_readable(home.path / name):
        code, said = runs.command("run", "--home", home.path)
        assert _vehicles(home) == 1
    assert (code, said.count("\n")) == (1, 1), said
    assert said.startswith(f"releak: {(home.path / name)}: it cannot be written to. "), said
    assert "--home DIR" in said


@contextmanager
def _as_nobody(home: Home) -> Iterator[None]:
    """Lose root's rights for a time, where one has them, but for those to the home."""
    if os.geteuid():
        yield
        return
    for path in [home.path, *home.path.rglob("*")]:
        os.chown(path, NOBODY, -1, follow_symlinks=False)
    for parent in home.path.parents[:-2]:
        parent.chmod(parent.stat().st_mode | 0o011)
    os.setresuid(NOBODY, NOBODY, 0)
    try:
        yield
    finally:
        os.setresuid(0, 0, 0)


def test_a_folder_of_the_inbox_that_cannot_be_listed_is_a_problem_and_blocks_no_file(home: Home) -> None:
    (home.inbox / "vehicles.csv").write_text("vehicle_id,engine_family,site,in_service_on\nV,F,S,2020-01-01\n")
    (home.inbox / "closed").mkdir(mode=0o000)
    warehouse = Warehouse(home.warehouse)
    with _as_nobody(home):
        problems = dict(land_inbox(warehouse, home).select("file", "problem").rows())
    (home.inbox / "closed").chmod(0o755)
    assert problems["vehicles.csv"] is None
    assert "cannot be opened" in problems["closed"]


def test_an_inbox_that_cannot_be_read_is_named(home: Home) -> None:
    home.inbox.chmod(0o000)
    with _as_nobody(home), pytest.raises(ReleakError, match=r"inbox cannot be read\. Grant"):
        home.prepare()
    home.inbox.chmod(0o755)


@pytest.mark.parametrize("make", [Path.mkdir, lambda path: path.symlink_to("not there")], ids=["folder", "dead link"])
def test_settings_that_are_there_and_cannot_be_read_are_not_taken_for_none(
    tmp_path: Path, make: Callable[[Path], None]
) -> None:
    make(tmp_path / "settings.toml")
    with pytest.raises(UnreadableFileError, match=r"settings\.toml cannot be read \(.*\)\. See that"):
        read_settings(tmp_path / "settings.toml")


def test_source_maps_that_are_there_and_cannot_be_read_are_not_taken_for_none(home: Home) -> None:
    home.sources_file.symlink_to("not there")
    with pytest.raises(SourceMapError, match=r"sources\.toml"):
        source_maps(home)


def _lose_the_early_look() -> None:
    """Have the command find the home free when it looks before it loads anything."""
    pytest.MonkeyPatch().setattr(Home, "check_free", lambda _: None)


@pytest.mark.parametrize("before", [None, _lose_the_early_look], ids=["at once", "as it starts"])
def test_of_two_runs_at_once_the_second_says_who_holds_the_home_and_leaves(
    home: Home, before: Callable[[], None] | None
) -> None:
    with home.writing():
        code, said = runs.command("run", "--home", home.path, before=before)
        assert _vehicles(home) == 1
    assert (code, said.count("\n")) == (1, 1), said
    assert f"process {os.getpid()} has been writing since" in said


@contextmanager
def _files_no_larger_than(size: int) -> Iterator[None]:
    before, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, hard))
    yield
    resource.setrlimit(resource.RLIMIT_FSIZE, (before, hard))


def test_a_file_that_may_not_grow_is_named_and_keeps_what_it_held(home: Home) -> None:
    warehouse = Warehouse(home.warehouse)
    with _files_no_larger_than(home.warehouse.stat().st_size), pytest.raises(duckdb.Error) as error:
        warehouse.write("ledger", "last_records", _seen(100_000))
    said = r"warehouse/releak\.duckdb(\.wal)?: it may not grow further\. Have the limit on the size of files raised"
    assert re.search(said, str(refusal(error.value)))
    assert warehouse.read("ledger", "last_records").height == 1


def test_a_folder_for_temporary_files_that_cannot_be_made_is_named(tmp_path: Path) -> None:
    warehouse = Warehouse(tmp_path / "releak.duckdb")
    in_the_way = tmp_path / "releak.duckdb.tmp"
    in_the_way.touch()
    with warehouse.connect() as connection, pytest.raises(duckdb.Error) as error:
        connection.execute(
            "SET memory_limit = '32MB'; CREATE TEMP TABLE t AS SELECT hash(range) AS h FROM range(9000000) ORDER BY h"
        )
    said = str(refusal(error.value))
    assert said.startswith(f"{in_the_way}: ")
    assert said.endswith("Check the path, the disk and your rights.")


def test_a_demo_without_room_names_the_file_it_has_no_room_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(source: Path, target: Path) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), str(source), None, str(target))

    monkeypatch.setattr(shutil, "copy2", refuse)
    with pytest.raises(ReleakError) as error:
        lay_out(tmp_path / "demo")
    assert str(error.value).startswith(f"{tmp_path / 'demo' / 'inbox'}: No space left on device. Name a folder")


@pytest.mark.parametrize(
    ("error", "says"),
    [
        (sqlite3.OperationalError("database or disk is full"), "{tmp}: the disk is full. Free some space"),
        (sqlite3.OperationalError("attempt to write a readonly database"), "{tmp}: it lies on a disk that can only be"),
        (sqlite3.OperationalError("disk I/O error"), "{tmp}: disk I/O error. Check the path, the disk and your rights"),
        (OSError(errno.EDQUOT, "", "x.csv"), "x.csv: your share of the disk is used up"),
        (PermissionError(errno.EACCES, "", "x.csv"), "x.csv: you have no right to it. Have it granted"),
        (IsADirectoryError(errno.EISDIR, "Is a directory", "x"), "x: Is a directory. Check the path"),
        (
            duckdb.IOException('IO Error: Could not write file "/a b": Input/output error'),
            "/a b: the disk did not take",
        ),
    ],
)
def test_a_refusal_names_the_file_and_the_remedy_however_deep_it_lies(
    tmp_path: Path, error: Exception, says: str
) -> None:
    outer, between = RuntimeError("a step failed"), ValueError("while logging")
    outer.__cause__, between.__cause__ = between, error
    assert str(refusal(outer, tmp_path)).startswith(says.format(tmp=tmp_path))


def test_what_no_system_refused_is_no_refusal(tmp_path: Path) -> None:
    assert refusal(ValueError("No space left on device"), tmp_path) is None
    assert refusal(duckdb.BinderException("no such column"), tmp_path) is None


def test_a_fault_of_ours_met_while_a_missing_file_was_dealt_with_is_no_refusal(tmp_path: Path) -> None:
    ours = KeyError("vehicle_id")
    ours.__context__ = FileNotFoundError(errno.ENOENT, "No such file or directory", "x.csv")
    assert refusal(ours, tmp_path) is None
    ours.__context__ = OSError(errno.ENOSPC, "No space left on device", "x.csv")
    assert "x.csv: the disk is full" in str(refusal(ours, tmp_path))
