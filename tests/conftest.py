"""What tests of several rooms share."""

import os
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent


@pytest.fixture(scope="session")
def excavator_orders() -> Path:
    """5,485 maintenance orders of five mining excavators, 2001 to 2012, that no one here wrote.

    University of Western Australia; published with the NIST text-tagging toolkit nestor (usnistgov/nestor). They are
    not ours to publish again: the environment variable RELEAK_EXCAVATOR_ORDERS names the file, or it lies in a folder
    beside the repository.
    """
    beside = ROOT.parent / "shared" / "data" / "excavator_orders" / "orders.csv"
    path = Path(os.environ.get("RELEAK_EXCAVATOR_ORDERS", beside))
    if not path.is_file():
        pytest.skip(f"the excavator orders are not ours to publish again, and are not at {path}")
    return path
