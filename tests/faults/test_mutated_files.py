"""A slice of the corpus of mutated files goes from the inbox to typed records without a fault; all of it by hand."""

import time
from pathlib import Path

import pytest

from tests.faults.mutated_files import SECONDS_ALLOWED, mutated_file, portions, verdict

SEED = 2
PORTIONS = [together for together in portions(range(300)) if len(together) > 1]


@pytest.mark.parametrize("numbers", PORTIONS, ids=lambda numbers: f"from {numbers[0]}")
def test_mutated_files_are_read_or_answered_and_nothing_is_lost(tmp_path: Path, numbers: tuple[int, ...]) -> None:
    files = {number: mutated_file(number, seed=SEED) for number in numbers}
    together = verdict(list(files.values()), tmp_path / "together")
    alone = {number: verdict([file], tmp_path / str(number)) for number, file in files.items()} if together else {}
    assert together is None, {(number, files[number].mutation): fault for number, fault in alone.items() if fault}


@pytest.mark.parametrize("number", [633], ids=["200 MiB of blank lines as objects"])
def test_a_file_that_once_took_too_long_is_answered_in_time(tmp_path: Path, number: int) -> None:
    file = mutated_file(number, seed=1)
    began = time.process_time()
    assert verdict([file], tmp_path) is None
    assert time.process_time() - began < SECONDS_ALLOWED, file.mutation
