"""Time and peak memory of the ledger for fleets of growing size, and how many distinct notes are read a second.

    .venv/bin/python benchmarks/ledger_growth.py --vehicles 200 2000 20000 --years 10

Each fleet is simulated and recorded in one process, and its ledger built in another, on one thread of Polars. Seconds
are the processor's, so that what else runs on the machine counts little; memory is the process's peak. What grows in
proportion keeps its milliseconds a vehicle; memory stops growing at a bucket of vehicles.
"""

import argparse
import os
import resource
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import dagster as dg
import polars as pl

from models.notes import read_notes
from models.tables.ledger import TABLES
from pipelines.defs.landing.assets import landed_files
from pipelines.defs.records.assets import records
from pipelines.fleet_home import FleetHome
from pipelines.home import Home
from pipelines.ledger import bring_up_to_date
from pipelines.settings import read_settings
from pipelines.simulating import simulate
from pipelines.warehouse import Warehouse

SEED = 11
ONE_THREAD = {"POLARS_MAX_THREADS": "1", "OMP_NUM_THREADS": "1"}
TEXTS = (("inspection_notes", "text"), ("work_orders", "complaint"))
MIB = 1024.0


def main() -> None:
    """Build each fleet and print a row for it."""
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    words.add_argument("--vehicles", type=int, nargs="+", default=[200, 2_000, 20_000])
    words.add_argument("--years", type=float, default=10.0)
    said = words.parse_args()
    os.environ |= ONE_THREAD
    rows = [_row(vehicles, said.years) for vehicles in said.vehicles]
    with pl.Config(tbl_rows=-1, tbl_cols=-1, tbl_width_chars=200, tbl_hide_dataframe_shape=True, float_precision=2):
        print(pl.DataFrame(rows).transpose(include_header=True, header_name="", column_names=_names(said.vehicles)))


def _names(sizes: list[int]) -> list[str]:
    return [f"{vehicles} vehicles" for vehicles in sizes]


def _row(vehicles: int, years: float) -> dict[str, float]:
    """Measure one fleet."""
    with tempfile.TemporaryDirectory() as folder:
        _in_fresh_process(_prepare, folder, vehicles, years)
        built = _in_fresh_process(_build, folder)
        read = _in_fresh_process(_read, folder)
    steps = {f"{table}, ms a vehicle": 1_000.0 * built[table] / vehicles for table in TABLES}
    total = sum(built[table] for table in TABLES)
    return {
        "rows of records": built["rows"],
        **steps,
        "all, ms a vehicle": 1_000.0 * total / vehicles,
        "all, s": total,
        "peak MiB": built["peak"],
        "MiB before": built["before"],
        **read,
    }


def _in_fresh_process(function: Callable[..., Any], *arguments: Any) -> Any:
    """Call a function where nothing has been loaded or kept yet."""
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as pool:
        return pool.submit(function, *arguments).result()


def _prepare(folder: str, vehicles: int, years: float) -> None:
    """Simulate a fleet and take it as far as its records."""
    simulate(Path(folder), vehicles=vehicles, years=years, seed=SEED)
    dg.materialize(
        [landed_files, records],
        resources={"home": FleetHome(path=folder)},
        instance=dg.DagsterInstance.ephemeral(),
        run_config={"loggers": {"console": {"config": {"log_level": "ERROR"}}}},
    )


def _build(folder: str) -> dict[str, float]:
    """Build every table of the ledger; processor seconds of each, and the process's memory before and at its peak."""
    home = Home(Path(folder))
    warehouse, settings = Warehouse(home.warehouse), read_settings(home.settings_file)
    assert settings.as_of is not None
    kinds = ("work_orders", "inspection_notes", "oil_top_ups", "odometer_readings")
    with warehouse.connect() as connection:
        rows = sum(int(connection.execute(f"SELECT count(*) FROM records.{kind}").fetchall()[0][0]) for kind in kinds)
    said = {"rows": float(rows), "before": _peak_mib()}
    for table in TABLES:
        started = time.process_time()
        bring_up_to_date(warehouse, table, settings=settings, as_of=settings.as_of)
        said[table] = time.process_time() - started
    return said | {"peak": _peak_mib()}


def _read(folder: str) -> dict[str, float]:
    """Read the distinct texts of notes and complaints once more, alone."""
    warehouse = Warehouse(Home(Path(folder)).warehouse)
    texts = pl.concat(warehouse.read("records", kind)[column].drop_nulls() for kind, column in TEXTS).unique()
    read_notes(["rocker cover gasket leaking"])
    started = time.process_time()
    read_notes(texts)
    return {"distinct texts": float(texts.len()), "texts a second": texts.len() / (time.process_time() - started)}


def _peak_mib() -> float:
    """The most memory this process has held so far."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / MIB


if __name__ == "__main__":
    main()
