"""The covers watched on a day: whose they are, when they were last repaired, and how far their vehicle drives."""

from datetime import UTC, date, datetime, time, timedelta

import polars as pl

from models.engines import engine_periods
from models.odometer import distance_at
from models.planning.known import FleetLedger
from models.tables.records import SINGLE_COVER

PACE_WINDOW_DAYS = 365
"""A vehicle's own daily distance is that of its last year: use changes with the season and the job."""
MIN_PACE_DAYS = 28
"""Readings over less than four weeks say more about one journey than about a vehicle."""

COVER = ("vehicle_id", "engine_id", "cover_position")
"""What names a cover."""
_REPAIR = (
    "episode_id",
    "repair_method",
    "status",
    "repaired_on",
    "odometer_km_at_repair",
    "odometer_error_km_at_repair",
)
"""What is kept of a cover's latest repair."""
_AGES = ("age_days", "age_km", "daily_km")


def watched_covers(known: FleetLedger, *, watched_within_days: int, as_of: date) -> pl.DataFrame:
    """List every cover of the engine that is in a vehicle in service with a recent record.

    Args:
        known: Cut at `as_of` by `known_by`.
        watched_within_days: Longest time since the vehicle's last record.
        as_of: The day.

    Returns:
        One row a cover, sorted: vehicle_id, engine_id, cover_position, engine_family, site, is_single, episode_id,
        repair_method, status, repaired_on, odometer_km_at_repair, odometer_error_km_at_repair, age_days, age_km,
        daily_km, other_repaired_on (latest repair of any cover of the engine). What comes from a repair is null
        in a cover's first life, kilometres where the odometer does not tell.
    """
    recent = _recently_seen(known, watched_within_days, as_of)
    return _covers_of(known, _in_service(known).join(recent, on="vehicle_id", how="semi"), as_of)


def unwatched_covers(known: FleetLedger, *, watched_within_days: int, as_of: date) -> pl.DataFrame:
    """List the covers of vehicles in service without a recent record, as `watched_covers` lists the others."""
    recent = _recently_seen(known, watched_within_days, as_of)
    return _covers_of(known, _in_service(known).join(recent, on="vehicle_id", how="anti"), as_of)


def _in_service(known: FleetLedger) -> pl.DataFrame:
    return known.vehicles.filter(pl.col("out_of_service_on").is_null())


def _recently_seen(known: FleetLedger, within_days: int, as_of: date) -> pl.DataFrame:
    return known.last_seen.filter(pl.col("last_on") >= as_of - timedelta(days=within_days))


def _covers_of(known: FleetLedger, vehicles: pl.DataFrame, as_of: date) -> pl.DataFrame:
    """The covers of the engines that are in some vehicles."""
    positions = known.engine_families.select("engine_family", "cover_positions")
    return (
        engine_periods(vehicles, known.engine_fitments)
        .filter(pl.col("to_on").is_null())
        .join(vehicles.select("vehicle_id", "site"), on="vehicle_id")
        .join(positions, on="engine_family", how="left")
        .with_columns(cover_position=pl.col("cover_positions").fill_null(SINGLE_COVER).str.split(";"))
        .with_columns(is_single=pl.col("cover_position").list.len() == 1)
        .explode("cover_position")
        .with_columns(pl.col("cover_position").str.strip_chars())
        .join(_latest_repairs(known.episodes), on=COVER, how="left")
        .join(daily_distance(known.odometer_curve, as_of=as_of), on="vehicle_id", how="left")
        .pipe(_with_ages, known.odometer_curve, as_of)
        .with_columns(other_repaired_on=pl.col("repaired_on").max().over("vehicle_id", "engine_id"))
        .select(*COVER, "engine_family", "site", "is_single", *_REPAIR, *_AGES, "other_repaired_on")
        .sort(COVER)
    )


def daily_distance(curve: pl.DataFrame, *, as_of: date) -> pl.DataFrame:
    """Mean kilometres a day of each vehicle over the last year.

    Returns:
        vehicle_id, daily_km; vehicles with readings over less than four weeks are left out.
    """
    window = curve.filter("is_used", pl.col("read_on").is_between(as_of - timedelta(days=PACE_WINDOW_DAYS), as_of))
    days = (pl.col("read_on").max() - pl.col("read_on").min()).dt.total_days()
    km = pl.col("distance_km").max() - pl.col("distance_km").min()
    return (
        window.group_by("vehicle_id")
        .agg(days=days, km=km)
        .filter(pl.col("days") >= MIN_PACE_DAYS)
        .select("vehicle_id", daily_km=pl.col("km") / pl.col("days"))
        .sort("vehicle_id")
    )


def _latest_repairs(episodes: pl.DataFrame) -> pl.DataFrame:
    """The latest repair of each cover."""
    return (
        episodes.sort("repaired_at", "episode_id")
        .unique(COVER, keep="last", maintain_order=True)
        .rename({name: f"{name}_at_repair" for name in ("odometer_km", "odometer_error_km")})
        .select(*COVER, *_REPAIR)
    )


def _with_ages(covers: pl.DataFrame, curve: pl.DataFrame, as_of: date) -> pl.DataFrame:
    """Add the days and kilometres since the latest repair."""
    end_of_day = datetime.combine(as_of + timedelta(days=1), time(), UTC)
    now = distance_at(curve, covers.select("vehicle_id", at=pl.lit(end_of_day).cast(pl.Datetime("us", "UTC"))))
    return covers.with_columns(
        age_days=(pl.lit(as_of) - pl.col("repaired_on")).dt.total_days().cast(pl.Float64),
        age_km=(now["distance_km"] - pl.col("odometer_km_at_repair")).clip(lower_bound=0.0),
    )
