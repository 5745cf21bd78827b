"""How right the episodes and figures are, over many simulated fleets whose truth is known.

    .venv/bin/python benchmarks/against_the_truth.py --fleets 50 --vehicles 2000

For every fleet:

- the confusion of the true status of the episodes with the one the pipeline gave them, and for each cell how many leaks
  truly began after the last dry look and by the day of the first wet look (or, where no leak was found, were under way
  at the end unseen). Inspectors of the simulated fleets overlook more than half of the weeps and see a leak where none
  is once in 800 looks: an interval rests on what was written, and misses the truth where that does;
- the error of the kilometres at any date, against the true distance at noon every 30 days within the vehicle's records
  and beyond them, and the share of errors within the bound given with the figure;
- over all families by methods with 30 episodes or more the share whose 95% interval holds the true detection-time
  recurrence at 180 and 365 days. The true recurrence of a group is that of all its repairs over all fleets together,
  followed past the extract: a repair counts by a horizon if its first written finding, or a competing end, lies in it.
"""

import argparse
import tempfile
from dataclasses import dataclass
from datetime import time
from pathlib import Path
from time import perf_counter

import dagster as dg
import polars as pl

from models.odometer import distance_at
from pipelines.defs.landing.assets import landed_files
from pipelines.defs.ledger import assets as ledger
from pipelines.defs.measures import assets as measures
from pipelines.defs.records.assets import records
from pipelines.fleet_home import FleetHome
from pipelines.simulating import simulate

HORIZONS = (180.0, 365.0)
MIN_EPISODES = 30
DAY_KM = 100.0
"""About a day's driving: the truth has one distance a day, readings are taken through the day."""
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


@dataclass(frozen=True)
class Fleet:
    """One simulated fleet as it was and as it was read.

    Attributes:
        truth: The true episodes.
        beside: The built ones beside the truth.
        figures: Recurrence by family and method in days.
        distances: True kilometres beside those of the curve.
    """

    truth: pl.DataFrame
    beside: pl.DataFrame
    figures: pl.DataFrame
    distances: pl.DataFrame


def one_fleet(vehicles: int, seed: int) -> Fleet:
    """Simulate and build one fleet."""
    with tempfile.TemporaryDirectory() as folder:
        simulate(Path(folder), vehicles=vehicles, years=5.0, seed=seed)
        home = build(Path(folder))
        truth = pl.read_csv(
            Path(folder, "truth", "episodes.csv"), infer_schema_length=None, try_parse_dates=True
        ).with_columns(seed=seed)
        driven = pl.read_csv(Path(folder, "truth", "odometer.csv"), try_parse_dates=True)
        built = home.warehouse.read("ledger", "episodes")
        curve = home.warehouse.read("ledger", "odometer_curve")
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
    return Fleet(truth, beside, in_days, read_distances(driven, curve))


def read_distances(driven: pl.DataFrame, curve: pl.DataFrame) -> pl.DataFrame:
    """Read the curve at every true distance.

    Returns:
        off_km and error_km (the bound), null where the curve does not tell; is_within: within the vehicle's readings.
    """
    noon = pl.col("date").dt.combine(time(12)).dt.replace_time_zone("UTC").dt.cast_time_unit("us")
    span = (
        curve.filter("is_used").group_by("vehicle_id").agg(first=pl.col("read_on").min(), last=pl.col("read_on").max())
    )
    return (
        distance_at(curve, driven.with_columns(at=noon))
        .join(span, on="vehicle_id", how="left")
        .select(
            off_km=(pl.col("distance_km") - pl.col("km")).abs(),
            error_km="error_km",
            is_within=pl.col("date").is_between("first", "last").fill_null(False),
        )
    )


def true_recurrence(truth: pl.DataFrame) -> pl.DataFrame:
    """The share of each family and method detected by each horizon, competing ends first counted as such."""
    return pl.concat(
        truth.group_by(GROUP)
        .agg(true_rate=(pl.col("detected_days") <= horizon).fill_null(False).mean(), repairs=pl.len())
        .with_columns(horizon=pl.lit(horizon))
        for horizon in HORIZONS
    )


def main() -> None:
    """Run the fleets and print what came of them."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--fleets", type=int, default=50)
    parser.add_argument("--vehicles", type=int, default=2_000)
    parser.add_argument("--seed", type=int, default=1_000, help="of the first fleet; the others follow")
    arguments = parser.parse_args()
    started = perf_counter()
    fleets = [one_fleet(arguments.vehicles, seed) for seed in range(arguments.seed, arguments.seed + arguments.fleets)]
    truth, beside, figures, distances = (
        pl.concat([getattr(fleet, name) for fleet in fleets], how="vertical_relaxed")
        for name in ("truth", "beside", "figures", "distances")
    )
    report_status(beside)
    report_leak_intervals(beside)
    report_distances(distances)
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


def report_leak_intervals(beside: pl.DataFrame) -> None:
    """Print for each cell how often the leak truly began where the episode says it did.

    The day counts: a leak that began on the day of the last dry look, or of the repair, is held to have begun after it.
    """
    began, last_dry_on = pl.col("true_leak_started_on"), pl.col("last_dry_at").dt.date()
    found = beside.filter(pl.col("status") == "re-leak")
    unfound = beside.filter(pl.col("status").is_not_null() & (pl.col("status") != "re-leak"))
    with pl.Config(tbl_rows=-1, tbl_hide_dataframe_shape=True):
        print("leak found: where it truly began")
        print(
            found.group_by("true_status", "status")
            .agg(
                pl.len(),
                held=began.is_between(last_dry_on, pl.col("ended_on")).fill_null(False).mean(),
                before_last_dry=(began < last_dry_on).mean(),
                after_first_wet=(began > pl.col("ended_on")).fill_null(True).mean(),
                median_days=(pl.col("ended_on") - last_dry_on).dt.total_days().median(),
            )
            .sort("true_status")
        )
        print("no leak found: share truly leaking by the end")
        print(
            unfound.group_by("true_status", "status")
            .agg(pl.len(), leaking_unseen=(began <= pl.col("ended_on")).fill_null(False).mean())
            .sort("true_status", "status")
        )


def report_distances(distances: pl.DataFrame) -> None:
    """Print the error of the kilometres at any date, within the readings of a vehicle and beyond them."""
    told = distances.drop_nulls()
    print(f"kilometres asked for {distances.height}, told {told.height / distances.height:.4f}")
    with pl.Config(tbl_rows=-1, tbl_hide_dataframe_shape=True):
        print(
            told.group_by("is_within")
            .agg(
                pl.len(),
                median_km=pl.col("off_km").median(),
                p95_km=pl.col("off_km").quantile(0.95),
                share_within_bound=(pl.col("off_km") <= pl.col("error_km")).mean(),
                share_within_bound_and_a_day=(pl.col("off_km") <= pl.col("error_km") + DAY_KM).mean(),
                median_bound_km=pl.col("error_km").median(),
            )
            .sort("is_within")
        )


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
