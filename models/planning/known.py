"""A fleet's tables cut at a day: nothing dated later reaches a flag."""

from dataclasses import dataclass
from datetime import date

import polars as pl

from models.episodes.distances import km_to_end


@dataclass(frozen=True)
class FleetLedger:
    """What is known of a fleet; each field is the table of that name.

    Attributes:
        last_seen: From `models.episodes.last_records`, with the same `as_of` as the flags.
    """

    vehicles: pl.DataFrame
    engine_fitments: pl.DataFrame
    engine_families: pl.DataFrame
    odometer_curve: pl.DataFrame
    cover_work: pl.DataFrame
    evidence: pl.DataFrame
    episodes: pl.DataFrame
    oil_segments: pl.DataFrame
    last_seen: pl.DataFrame


def known_by(ledger: FleetLedger, as_of: date) -> FleetLedger:
    """Leave out all that is dated after a day, and reopen what ended after it.

    An episode that ended later is still watched: it is censored at the vehicle's last record by then. The distance at
    its repair stays, the one at its end is read again from the curve as it was known, and its engine hours are not
    known: where nothing is later than the day, episodes are as they were.
    """
    is_before = pl.col("noted_on") <= as_of
    seen = ledger.last_seen.filter(pl.col("last_on") <= as_of)
    return FleetLedger(
        vehicles=ledger.vehicles.filter(pl.col("in_service_on") <= as_of).pipe(_undo_after, "out_of_service_on", as_of),
        engine_fitments=ledger.engine_fitments.filter(pl.col("fitted_on") <= as_of).pipe(
            _undo_after, "removed_on", as_of
        ),
        engine_families=ledger.engine_families,
        odometer_curve=ledger.odometer_curve.filter(pl.col("read_on") <= as_of),
        cover_work=ledger.cover_work.filter(pl.col("done_on") <= as_of),
        evidence=ledger.evidence.filter(is_before),
        episodes=_episodes_known(ledger.episodes, ledger.odometer_curve, seen, as_of),
        oil_segments=ledger.oil_segments.filter(pl.col("ended_on") <= as_of),
        last_seen=seen,
    )


def _undo_after(frame: pl.DataFrame, column: str, as_of: date) -> pl.DataFrame:
    """Null a day that had not come yet."""
    return frame.with_columns(pl.when(pl.col(column) <= as_of).then(column).alias(column))


def _episodes_known(episodes: pl.DataFrame, curve: pl.DataFrame, seen: pl.DataFrame, as_of: date) -> pl.DataFrame:
    """Episodes begun by a day, with their status, days and km as they stood then; the curve is the whole one."""
    is_open = pl.col("ended_on") > as_of
    read_later = curve.filter(pl.col("read_on") > as_of).select("vehicle_id", is_read_later=pl.lit(True)).unique()
    known = (
        episodes.filter(pl.col("repaired_on") <= as_of)
        .join(seen, on="vehicle_id", how="left")
        .join(read_later, on="vehicle_id", how="left")
        .with_columns(
            is_moved=is_open | pl.col("is_read_later").is_not_null(),
            status=pl.when(is_open).then(pl.lit("censored")).otherwise("status"),
            ended_on=pl.when(is_open).then(pl.max_horizontal("repaired_on", "last_on")).otherwise("ended_on"),
            hours=pl.when(~is_open).then("hours"),
            hours_error=pl.when(~is_open).then("hours_error"),
            ended_at=pl.when(is_open).then(pl.max_horizontal("repaired_at", "last_at")).otherwise("ended_at"),
        )
        .with_columns(days=(pl.col("ended_on") - pl.col("repaired_on")).dt.total_days().cast(pl.Float64))
    )
    moved = known.filter("is_moved")
    read_again = moved.with_columns(km_to_end(moved, curve.filter(pl.col("read_on") <= as_of)))
    return pl.concat([known.filter(~pl.col("is_moved")), read_again]).sort("vehicle_id", "repaired_at", "episode_id")
