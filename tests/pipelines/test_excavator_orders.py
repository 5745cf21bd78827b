"""A raw export in another trade's words, through a source map to a published snapshot."""

import shutil
from datetime import date
from pathlib import Path

import pytest

from pipelines.home import Home
from pipelines.publishing import read_published
from pipelines.refreshing import refresh

SOURCES = """
[[source]]
name = "excavator orders"
files = "orders.csv"
kind = "work_orders"
columns = { vehicle_id = "Asset", opened_at = "BscStartDate", complaint = "OriginalShorttext", work_done = \
"OriginalShorttext", job_code = "PMType", parts_cost = "Cost" }
constants = { site = "mine" }
made_from = { order_id = ["vehicle_id", "opened_at", "work_done", "parts_cost"] }
"""


@pytest.fixture(scope="module")
def mine(excavator_orders: Path, tmp_path_factory: pytest.TempPathFactory) -> Home:
    home = Home(tmp_path_factory.mktemp("mine"))
    home.prepare()
    shutil.copy(excavator_orders, home.inbox / "orders.csv")
    rows = "".join(f"{asset},diesel,mine,2001-01-01\n" for asset in "ABCDE")
    (home.inbox / "vehicles.csv").write_text("vehicle_id,engine_family,site,in_service_on\n" + rows)
    home.sources_file.write_text(SOURCES)
    refresh(home, as_of=date(2012, 12, 31))
    return home


def test_every_row_is_accounted_for_and_the_one_that_cannot_be_read_says_why(mine: Home) -> None:
    load = read_published(mine, "FROM loads WHERE file = 'orders.csv'").row(0, named=True)
    assert load["rows_read"] == 5_485
    assert load["refused"] == 1
    refused = read_published(mine, "SELECT column_name, value FROM refused_rows")
    assert refused.rows() == [("parts_cost", "PM01")]


def test_only_the_two_orders_that_name_a_rocker_cover_are_read_as_cover_leaks(mine: Home) -> None:
    wet = read_published(
        mine,
        "SELECT DISTINCT origin_id FROM evidence WHERE polarity = 'present' "
        "AND component IN ('cover_gasket', 'plug_tube_seal') ORDER BY 1",
    )
    assert wet.height == 2
    assert all("ROCKER" in order for order in wet["origin_id"])


def test_no_other_cover_is_taken_for_a_rocker_cover(mine: Home) -> None:
    assert read_published(mine, "SELECT count(*) AS n FROM episodes")["n"].item() == 0
    work = read_published(mine, "SELECT work, count(*) AS n FROM cover_work GROUP BY ALL ORDER BY n").rows()
    assert work == [("engine_out", 1), ("none", 5_125)]
