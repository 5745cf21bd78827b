"""How right the episodes and figures are, over many simulated fleets whose truth is known.

    .venv/bin/python benchmarks/against_the_truth.py --fleets 50 --vehicles 2000

For every fleet: the share of the episodes the pipeline builds whose status is the true one, and over all families by
methods with 30 episodes or more the share whose 95% interval holds the true detection-time recurrence at 180 and 365
days. The true recurrence of a group is that of all its repairs over all fleets together, followed past the extract: a
repair counts by a horizon if its first written finding, or a competing end, lies in it.
"""

import argparse
import tempfile
from pathlib import Path
from time import perf_counter

import dagster as dg
import polars as pl

from pipelines.defs.landing.assets import landed_files
from pipelines.defs.ledger import assets as ledger
from pipelines.defs.measures import assets as measures
from pipelines.defs.records.assets import records
from pipelines.fleet_home import FleetHome
from pipelines.simulating import simulate

HORIZONS = (180.0, 365.0)
MIN_EPISODES = 30
GROUP = ["engine_family", "repair_method"]
EPISODE = ["order_id", "cover_position"]


def build(home: Path) -> FleetHome:
    """Take a simulated home as far as its measures, without the checks, which change nothing."""
    fleet_home = FleetHome(path=str(home))
    assets = [landed_files, records, *ledger.assets, *measures.assets]
    dg.materialize(
        assets,
        resources={"home": fleet_home},
        instance=dg.DagsterInstance.ephemeral(),
        run_config={"loggers": {"console": {"config": {"log_level": "ERROR"}}}},
    )
    return fleet_home


def one_fleet(vehicles: int, seed: int) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """Simulate and build one fleet.

    Returns:
        Its true episodes, the built ones beside the truth, and its recurrence by family and method in days.
    """
    with tempfile.TemporaryDirectory() as folder:
        simulate(Path(folder), vehicles=vehicles, years=5.0, seed=seed)
        home = build(Path(folder))
        truth = pl.read_csv(Path(folder, "truth", "episodes.csv"), infer_schema_length=None).with_columns(seed=seed)
        built = home.warehouse.read("ledger", "episodes")
        figures = home.warehouse.read("measures", "recurrence").with_columns(seed=pl.lit(seed))
    beside = built.join(
        truth.select(*EPISODE, pl.all().exclude(EPISODE).name.prefix("true_")), on=EPISODE, how="full", coalesce=True
    )
    in_days = figures.filter(
        (pl.col("time_scale") == "days")
        & (pl.col("site") == "")
        & (pl.col("engine_family") != "")
        & (pl.col("repair_method") != "")
        & pl.col("horizon").is_in(HORIZONS)
    )
    return truth, beside, in_days


def true_recurrence(truth: pl.DataFrame) -> pl.DataFrame:
    """The share of each family and method detected by each horizon, competing ends first counted as such."""
    return pl.concat(
        truth.group_by(GROUP)
        .agg(true_rate=(pl.col("detected_days") <= horizon).fill_null(False).mean(), repairs=pl.len())
        .with_columns(horizon=pl.lit(horizon))
        for horizon in HORIZONS
    )


def main() -> None:
    """Run the fleets and print the two shares."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--fleets", type=int, default=50)
    parser.add_argument("--vehicles", type=int, default=2_000)
    arguments = parser.parse_args()
    started = perf_counter()
    fleets = [one_fleet(arguments.vehicles, seed) for seed in range(1_000, 1_000 + arguments.fleets)]
    truth, beside, figures = (pl.concat(parts, how="vertical_relaxed") for parts in zip(*fleets, strict=True))
    report_status(beside)
    report_coverage(figures, truth)
    print(f"{perf_counter() - started:.0f} s")


def report_status(beside: pl.DataFrame) -> None:
    """Print how many episodes have the true status, and what the others were taken for."""
    built = beside.filter(pl.col("status").is_not_null())
    right = built.filter(pl.col("status") == pl.col("true_status"))
    missed = beside.filter(pl.col("status").is_null()).height
    print(f"episodes built {built.height}, status right {right.height / built.height:.4f}, true ones missed {missed}")
    with pl.Config(tbl_rows=-1, tbl_hide_dataframe_shape=True):
        print(beside.group_by("true_status", "status").len().sort("true_status", "status"))


def report_coverage(figures: pl.DataFrame, truth: pl.DataFrame) -> None:
    """Print the share of intervals that hold the true recurrence."""
    shown = figures.filter((pl.col("n") >= MIN_EPISODES) & pl.col("rate").is_not_null())
    judged = shown.join(true_recurrence(truth), on=[*GROUP, "horizon"]).with_columns(
        holds=pl.col("true_rate").is_between(pl.col("low"), pl.col("high")),
        is_below=pl.col("high") < pl.col("true_rate"),
    )
    with pl.Config(tbl_rows=-1, tbl_hide_dataframe_shape=True):
        print(judged.group_by("horizon").agg(pl.len(), pl.col("holds", "is_below").mean()).sort("horizon"))
        print(
            judged.group_by(*GROUP, "horizon")
            .agg(pl.len(), pl.col("holds", "rate").mean(), pl.col("true_rate").first())
            .sort("holds")
            .head(12)
        )


if __name__ == "__main__":
    main()
