"""Published data and the values other programs compute from them; sources in README.md."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import polars as pl
import pytest

HERE = Path(__file__).parent


@pytest.fixture(scope="session")
def published() -> Callable[[str], pl.DataFrame]:
    """Read a table of `data/` or `expected/`."""
    return lambda name: pl.read_csv(HERE / name)


@pytest.fixture(scope="session")
def computed_by_r() -> Callable[[str], dict[str, Any]]:
    """Read the values of `expected/`."""
    return lambda name: json.loads((HERE / "expected" / name).read_text())
