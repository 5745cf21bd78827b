"""Seconds of a nightly refresh beside those of a full rebuild of the same fleet.

    .venv/bin/python benchmarks/nightly_refresh.py --vehicles 20000 --years 5

A fleet is simulated into a temporary home and built from nothing. Then come one file each of orders, notes and oil that
mention a thousandth of its vehicles, and the run is repeated a day later. Each run is told apart into the assets' own
seconds, the checks' and what is left: Dagster's own bookkeeping, and loading the libraries in the first run. Both run
in this process, one after the other, so the second finds the libraries loaded. The last row is the processor's seconds,
on all cores, which other work on the machine changes less than it does the clock's.
"""

import argparse
import random
import tempfile
import time
from datetime import date, timedelta
from pathlib import Path

import dagster as dg
import polars as pl

from models.tables import LAYERS
from pipelines.home import Home
from pipelines.publishing import read_published
from pipelines.refreshing import refresh
from pipelines.settings import read_settings
from pipelines.simulating import simulate

SHARE_MENTIONED = 0.001
SEED = 7
PARTS = ("landing", "records", "ledger", "measures", "plan", "snapshot", "report", "checks", "dagster")
PROCESSOR = "processor"
_CHECK = "_checks"


def main() -> None:
    """Build, refresh, and print both side by side."""
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    words.add_argument("--vehicles", type=int, default=20_000)
    words.add_argument("--years", type=float, default=5.0)
    words.add_argument("--home", type=Path, help="a simulated fleet that is there already")
    said = words.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        home = Home(said.home or Path(folder) / "fleet")
        if said.home is None:
            simulate(home.path, vehicles=said.vehicles, years=said.years, seed=SEED)
        as_of = read_settings(home.settings_file).as_of
        assert as_of is not None
        full = _timed_run(home, as_of)
        mentioned = _put_nightly_files(home, as_of + timedelta(days=1))
        nightly = _timed_run(home, as_of + timedelta(days=1))
    _print(mentioned, full, nightly)


def _put_nightly_files(home: Home, day: date) -> int:
    """Write what came in during a day about a thousandth of the fleet, and return how many vehicles that is."""
    every = read_published(home, "SELECT vehicle_id, site FROM vehicles ORDER BY vehicle_id").rows()
    chosen = random.Random(SEED).sample(every, max(1, round(len(every) * SHARE_MENTIONED)))
    orders = ["order_id,vehicle_id,site,opened_at,complaint,work_done"]
    notes, oil = ["vehicle_id,noted_at,text,site"], ["vehicle_id,topped_up_at,volume,site"]
    for number, (vehicle_id, site) in enumerate(chosen):
        orders.append(f"NIGHT{number},{vehicle_id},{site},{day},oil smell,rocker cover gasket renewed")
        notes.append(f"{vehicle_id},{day},dry at the rocker cover,{site}")
        oil.append(f"{vehicle_id},{day},1.0,{site}")
    for kind, lines in (("work_orders", orders), ("inspection_notes", notes), ("oil_top_ups", oil)):
        (home.inbox / f"{kind}-{day}.csv").write_text("\n".join([*lines, ""]), encoding="utf-8")
    return len(chosen)


def _timed_run(home: Home, as_of: date) -> dict[str, float]:
    """Run once and return the seconds of each part by the clock, and of the whole by the processor."""
    starts: list[tuple[str, float]] = []
    started, worked = time.perf_counter(), time.process_time()
    refresh(home, as_of=as_of, on_step=lambda step, _: starts.append((step, time.perf_counter())))
    ended, worked = time.perf_counter(), time.process_time() - worked
    walls = dict.fromkeys(PARTS, 0.0)
    for (step, start), (_, end) in zip(starts, [*starts[1:], ("", ended)], strict=True):
        walls["checks"] += (end - start) if step.endswith(_CHECK) else 0.0
    with dg.DagsterInstance.from_config(str(home.dagster)) as instance:
        for part, asset in _assets():
            walls[part] += _own_seconds(instance, asset)
    walls["dagster"] = ended - started - sum(walls.values())
    return walls | {PROCESSOR: worked}


def _assets() -> list[tuple[str, str]]:
    """The part that each asset's own seconds count for; the records' assets are one step, so one of them stands in."""
    layers = [(layer, table) for layer in ("ledger", "measures", "plan") for table in LAYERS[layer]]
    return [
        ("landing", "landed_files"),
        ("records", "vehicles"),
        *layers,
        ("snapshot", "snapshots"),
        ("report", "report"),
    ]


def _own_seconds(instance: dg.DagsterInstance, asset: str) -> float:
    """The seconds an asset says it took when it was last made."""
    event = instance.get_latest_materialization_event(dg.AssetKey(asset))
    assert event is not None
    assert event.asset_materialization is not None
    return float(event.asset_materialization.metadata["seconds"].value)  # type: ignore[arg-type]


def _print(mentioned: int, full: dict[str, float], nightly: dict[str, float]) -> None:
    """Print both runs side by side, what rebuilding saves first."""
    sums = {
        "landing to plan": ("landing", "records", "ledger", "measures", "plan"),
        "all our own": PARTS[:-2],
        "everything but dagster": PARTS[:-1],
        "everything": PARTS,
        PROCESSOR: (PROCESSOR,),
    }
    rows = [(part, full[part], nightly[part]) for part in PARTS]
    rows += [(name, sum(full[part] for part in of), sum(nightly[part] for part in of)) for name, of in sums.items()]
    table = pl.DataFrame(rows, schema=["part", "full_s", "nightly_s"], orient="row")
    print(f"{mentioned} vehicles mentioned")
    with pl.Config(tbl_rows=-1, tbl_hide_dataframe_shape=True, tbl_hide_column_data_types=True, float_precision=2):
        print(table.with_columns(full_over_nightly=pl.col("full_s") / pl.col("nightly_s")))


if __name__ == "__main__":
    main()
