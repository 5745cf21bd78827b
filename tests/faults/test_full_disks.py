"""A disk that fills up at any moment of a run: one plain sentence, the old snapshot answers, and a rerun mends it."""

import os
import random
import shutil
import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from pipelines.home import Home
from tests.faults import runs

FULL_DISKS = int(os.environ.get("RELEAK_FULL_DISKS", "1"))
"""How many runs find a full disk; more with the environment variable, by hand."""
SEED = 20260630
AMPLE_BYTES = 1 << 30
DISKS = ("", "warehouse", "published")
"""What lies on a disk of its own, as a path in the home."""
WARMING_UP = 2
"""Before it lands anything, a run writes less than so many MiB."""


def _mount(folder: Path, size: int, *options: str) -> None:
    words = ["mount", "-t", "tmpfs", "-o", ",".join([f"size={size}", *options]), "tmpfs", str(folder)]
    subprocess.run(words, check=True, capture_output=True)


@contextmanager
def _disk_for(folder: Path) -> Iterator[Path]:
    """Put a folder's content on a disk of its own, which is ample at first."""
    content = folder.with_name(f"{folder.name} before")
    folder.rename(content)
    folder.mkdir()
    try:
        _mount(folder, AMPLE_BYTES)
    except (OSError, subprocess.CalledProcessError) as error:
        pytest.skip(f"only who may mount can fill a disk: {error}")
    try:
        shutil.copytree(content, folder, symlinks=True, dirs_exist_ok=True)
        yield folder
    finally:
        subprocess.run(["umount", folder], check=True)


def _used_bytes(folder: Path) -> int:
    disk = os.statvfs(folder)
    return (disk.f_blocks - disk.f_bfree) * disk.f_frsize


@contextmanager
def _room(folder: Path, free: int) -> Iterator[None]:
    """Leave so much room on a disk, for a time."""
    _mount(folder, _used_bytes(folder) + free, "remount")
    yield
    _mount(folder, AMPLE_BYTES, "remount")


@contextmanager
def _most_used(folder: Path) -> Iterator[list[int]]:
    """Yield a list that ends with the number of bytes by which a disk was the fuller at most."""
    before, most, done = _used_bytes(folder), [0], threading.Event()

    def watch() -> None:
        while not done.wait(0.01):
            most.append(max(most[-1], _used_bytes(folder) - before))

    watching = threading.Thread(target=watch)
    watching.start()
    yield most
    done.set()
    watching.join()


@pytest.mark.timeout(7_200)
def test_a_disk_that_fills_up_stops_a_run_with_one_sentence_and_loses_nothing() -> None:
    chance = random.Random(SEED)
    with runs.scratch_folder() as folder:
        home = runs.lay_out_fleet(folder / "fleet")
        with _disk_for(home.path), _most_used(home.path) as most:
            runs.finish(home)
            done = runs.copy_of(home, folder / "done")
        expected = runs.published(done)
        shutil.rmtree(done.warehouse.parent)
        for number in range(FULL_DISKS):
            _fill_up(
                runs.copy_of(done, folder / str(number)),
                DISKS[number % len(DISKS)],
                chance.random(),
                most[-1],
                expected,
            )


def _fill_up(home: Home, own_disk: str, share: float, most: int, expected: runs.Tables) -> None:
    """Build a home anew from its inbox with too little room for what lies on a disk of its own, then with enough."""
    home.prepare()
    with _disk_for(home.path / own_disk) as disk:
        with _room(disk, int(share * most)):
            code, said = runs.command("run", "--home", home.path, "--as-of", str(runs.AS_OF))
            assert not runs.differing(runs.published(home), expected), "the last snapshot answers"
        if code:
            assert said.startswith(f"releak: {home.path}"), said
            assert ("the disk is full. Free some space" in said, said.count("\n")) == (True, 1), said
        runs.finish(home)
        assert runs.differing(runs.published(home), expected) == []
