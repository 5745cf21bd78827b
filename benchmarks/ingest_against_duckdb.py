"""Time the way from files to typed tables beside DuckDB's own readers, on the same files in one run.

    .venv/bin/python benchmarks/ingest_against_duckdb.py --rows 1000000

A quarter of the rows each: work orders as CSV (semicolons, CP-1252, decimal comma, day first), inspection notes as CSV,
top-ups as JSON Lines, odometer readings as Parquet. Ours lands every row as text with its place, types it with a reason
for every row refused, holds unknown references, tells duplicates from corrections and writes the tables and the
account. DuckDB reads the same files with the types and formats stated, into tables, and does nothing else. Each runs
in a process of its own, which is asked for its processor time (fairer than the clock on a busy machine) and its largest
resident memory. A workbook of a twentieth of the rows is timed apart: this DuckDB has no reader for it.
"""

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

AS_OF = date(2026, 1, 1)
VEHICLES = 5_000
WORDS = (
    "oil seen at rear of cover, wiped and marked",
    "dry at the cover, recheck at next service",
    "smell of hot oil on the hill, no trace found; driver to report",
    "cover gasket renewed, torqued in two stages, run up and checked",
    'customer states "burning smell" after long runs, coils clean',
    "brake pads front renewed, discs measured and within limits",
)
SOURCES = """
[[source]]
name = "orders"
files = "work_orders.csv"
kind = "work_orders"
delimiter = ";"
encoding = "cp1252"
decimal = ","
dates = { opened_at = "day_first", completed_at = "day_first" }
"""
DUCKDB_READS = {
    "vehicles": "FROM read_csv('{home}/inbox/vehicles.csv', header = true, columns = {{'vehicle_id': 'VARCHAR', "
    "'engine_family': 'VARCHAR', 'site': 'VARCHAR', 'in_service_on': 'DATE'}})",
    "work_orders": "FROM read_csv('{home}/inbox/work_orders.csv', header = true, delim = ';', encoding = 'latin-1', "
    "decimal_separator = ',', timestampformat = '%d.%m.%Y %H:%M', columns = {{'order_id': 'VARCHAR', "
    "'vehicle_id': 'VARCHAR', 'site': 'VARCHAR', 'opened_at': 'TIMESTAMP', 'completed_at': 'TIMESTAMP', "
    "'work_done': 'VARCHAR', 'complaint': 'VARCHAR', 'odometer': 'DOUBLE', 'labour_hours': 'DOUBLE', "
    "'parts_cost': 'DOUBLE'}})",
    "inspection_notes": "FROM read_csv('{home}/inbox/inspection_notes.csv', header = true, columns = {{"
    "'note_id': 'VARCHAR', 'vehicle_id': 'VARCHAR', 'noted_at': 'TIMESTAMP', 'text': 'VARCHAR', "
    "'odometer': 'DOUBLE', 'author': 'VARCHAR', 'leak_class': 'VARCHAR'}})",
    "oil_top_ups": "FROM read_json('{home}/inbox/oil_top_ups.jsonl', format = 'newline_delimited', columns = {{"
    "'vehicle_id': 'VARCHAR', 'topped_up_at': 'TIMESTAMP', 'volume': 'DOUBLE', 'odometer': 'DOUBLE', "
    "'reason': 'VARCHAR'}})",
    "odometer_readings": "FROM read_parquet('{home}/inbox/odometer_readings.parquet')",
}


def write_files(home: Path, rows: int, seed: int) -> None:
    """Write the inbox and its source map; `rows` in all over four files, and a workbook of rows / 20 beside them."""
    random = np.random.default_rng(seed)
    inbox = home / "inbox"
    inbox.mkdir(parents=True)
    (home / "sources.toml").write_text(SOURCES)
    _reference_files(inbox)
    each = rows // 4
    _orders(random, each).write_csv(home / "utf-8.csv", separator=";", quote_style="non_numeric")
    text = (home / "utf-8.csv").read_text(encoding="utf-8")
    (inbox / "work_orders.csv").write_text(text, encoding="cp1252")
    (home / "utf-8.csv").unlink()
    _notes(random, each).write_csv(inbox / "inspection_notes.csv")
    _top_ups(random, each).write_ndjson(inbox / "oil_top_ups.jsonl")
    _readings(random, each).write_parquet(inbox / "odometer_readings.parquet")
    (home / "workbook").mkdir()
    _readings(random, rows // 20).write_excel(home / "workbook" / "odometer_readings.xlsx")


def _reference_files(inbox: Path) -> None:
    family = "engine_family,cover_positions,fuel,plug_tubes,bolts,layout,stage1_nm,settle_min,final_angle_deg"
    (inbox / "engine_families.csv").write_text(f'{family}\nKESTREL-4,only,petrol,yes,3,"0,0;40,0;80,0",8,30,90\n')
    lines = "".join(f"V{number:05},KESTREL-4,Ossel Quay,2015-01-01\n" for number in range(VEHICLES))
    (inbox / "vehicles.csv").write_text(f"vehicle_id,engine_family,site,in_service_on\n{lines}")


def _common(random: np.random.Generator, rows: int) -> tuple[pl.Series, pl.Series, pl.Series]:
    """Vehicles, minutes of a day of ten years, and odometers in km to one decimal."""
    vehicles = pl.Series([f"V{number:05}" for number in range(VEHICLES)])[random.integers(0, VEHICLES, rows)]
    minutes = pl.Series(random.integers(0, 10 * 365 * 1_440, rows))
    at = pl.select(pl.lit(datetime(2015, 6, 1)) + pl.duration(minutes=minutes)).to_series()  # noqa: DTZ001
    return vehicles, at, pl.Series(random.uniform(0, 400_000, rows).round(1))


def _words(random: np.random.Generator, rows: int) -> pl.Series:
    return pl.Series(WORDS)[random.integers(0, len(WORDS), rows)]


def _orders(random: np.random.Generator, rows: int) -> pl.DataFrame:
    vehicles, at, odometer = _common(random, rows)
    frame = pl.DataFrame({"vehicle_id": vehicles, "at": at, "odometer": odometer, "work_done": _words(random, rows)})
    comma = {name: pl.col(name).cast(pl.String).str.replace(".", ",", literal=True) for name in ("odometer", "hours")}
    frame = frame.with_columns(hours=pl.Series(random.uniform(0.2, 9, rows).round(2)), complaint=_words(random, rows))
    return frame.select(
        order_id=pl.format("W{}", pl.int_range(rows)),
        vehicle_id="vehicle_id",
        site=pl.lit("Ossel Quay"),
        opened_at=pl.col("at").dt.strftime("%d.%m.%Y %H:%M"),
        completed_at=(pl.col("at") + pl.duration(hours=5)).dt.strftime("%d.%m.%Y %H:%M"),
        work_done=pl.col("work_done") + " – é",
        complaint="complaint",
        odometer=comma["odometer"],
        labour_hours=comma["hours"],
        parts_cost=pl.lit("12,50"),
    ).with_columns(pl.col("work_done").str.replace("–", "-"))


def _notes(random: np.random.Generator, rows: int) -> pl.DataFrame:
    vehicles, at, odometer = _common(random, rows)
    return pl.DataFrame(
        {
            "note_id": [f"N{number}" for number in range(rows)],
            "vehicle_id": vehicles,
            "noted_at": at.dt.strftime("%Y-%m-%d %H:%M"),
            "text": _words(random, rows),
            "odometer": odometer,
            "author": pl.Series(["T1", "T2", "T3"])[random.integers(0, 3, rows)],
            "leak_class": pl.Series(["I", "II", "III", None])[random.integers(0, 4, rows)],
        }
    )


def _top_ups(random: np.random.Generator, rows: int) -> pl.DataFrame:
    vehicles, at, odometer = _common(random, rows)
    return pl.DataFrame(
        {
            "vehicle_id": vehicles,
            "topped_up_at": at.dt.strftime("%Y-%m-%dT%H:%M:%S"),
            "volume": random.uniform(0.1, 2.5, rows).round(2),
            "odometer": odometer,
            "reason": _words(random, rows),
        }
    )


def _readings(random: np.random.Generator, rows: int) -> pl.DataFrame:
    vehicles, at, odometer = _common(random, rows)
    hours = random.uniform(0, 9_000, rows).round(1)
    return pl.DataFrame({"vehicle_id": vehicles, "read_at": at, "odometer": odometer, "engine_hours": hours})


def ingest(path: Path) -> dict[str, float]:
    """Seconds of each of our steps from the inbox to the written tables, and the rows of the account."""
    from models.settings import FleetSettings
    from pipelines.home import Home
    from pipelines.landing import land_inbox, source_maps
    from pipelines.recording import account, record
    from pipelines.warehouse import Warehouse

    home = Home(path)
    home.prepare()
    warehouse = Warehouse(home.warehouse)
    seconds: dict[str, float] = {}
    with warehouse.connect() as held:
        warehouse.prepare()
        _timed(seconds, "land the files", lambda: land_inbox(warehouse, home))
        _timed(
            seconds,
            "type, reconcile and store",
            lambda: record(warehouse, source_maps(home), as_of=AS_OF, fleet=FleetSettings()),
        )
        accounts = _timed(seconds, "make up the account", lambda: account(warehouse))
        _timed(seconds, "checkpoint", lambda: held.execute("CHECKPOINT"))
    return seconds | {"rows": accounts["loads"]["rows_read"].sum(), "refused": accounts["refused_rows"].height}


def ingest_by_duckdb(path: Path) -> dict[str, float]:
    """Seconds DuckDB takes to read each file into a typed table of a new database file."""
    import duckdb

    seconds: dict[str, float] = {}
    rows = 0
    with duckdb.connect(path / "peer.duckdb") as connection:
        for table, read in DUCKDB_READS.items():
            query = f"CREATE TABLE {table} AS {read.format(home=path)}"
            _timed(seconds, table, lambda query=query: connection.execute(query))
            rows += connection.execute(f"SELECT count(*) FROM {table}").fetchall()[0][0]
        _timed(seconds, "checkpoint", lambda: connection.execute("CHECKPOINT"))
    return seconds | {"rows": rows, "refused": 0}


def _warm_up() -> None:
    """Import what either side needs, so that neither pays for it while timed."""
    import duckdb  # noqa: F401

    import models.records  # noqa: F401
    import pipelines.landing  # noqa: F401


def _timed(seconds: dict[str, float], step: str, work: Callable[[], Any]) -> Any:
    began = time.perf_counter()
    result = work()
    seconds[step] = time.perf_counter() - began
    return result


def measured(which: str, home: Path) -> tuple[float, float]:
    """Run one side in a process of its own, print its steps, and return its seconds by the clock and the processors."""
    command = [sys.executable, __file__, "--side", which, "--home", str(home)]
    found = json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout.splitlines()[-1])
    rows, refused, peak = found.pop("rows"), found.pop("refused"), found.pop("peak_gib")
    processor, total = found.pop("processor"), sum(found.values())
    print(f"{which}: {rows:,.0f} rows ({refused:,.0f} refused), {total:.2f} s, of the processors {processor:.2f} s")
    print(f"    peak {peak:.2f} GiB")
    for step, seconds in found.items():
        print(f"    {step:24}{seconds:8.2f} s")
    return total, processor


def main() -> None:
    """Write the files, run both sides, print the seconds of each, the ratio and the peak memory."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rows", type=int, default=1_000_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--side", choices=["releak", "duckdb"], help="run one side on the files of --home")
    parser.add_argument("--home", type=Path)
    options = parser.parse_args()
    if options.side:
        _warm_up()
        before = time.process_time()
        found = (ingest if options.side == "releak" else ingest_by_duckdb)(options.home)
        peak_gib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
        print(json.dumps(found | {"peak_gib": peak_gib, "processor": time.process_time() - before}))
        return
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder) / "home"
        write_files(home, options.rows, options.seed)
        ours, theirs = measured("releak", home), measured("duckdb", home)
        clock, processor = (mine / other for mine, other in zip(ours, theirs, strict=True))
        print(f"four formats: {clock:.1f} times DuckDB's own reading by the clock, {processor:.1f} by the processors")
        for name in ("engine_families.csv", "vehicles.csv"):
            (home / "inbox" / name).rename(home / "workbook" / name)
        (home / "inbox").rename(home / "texts")
        (home / "workbook").rename(home / "inbox")
        (home / "warehouse").rename(home / "before")
        measured("releak", home)


if __name__ == "__main__":
    main()
