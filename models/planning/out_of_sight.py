"""Covers last seen wet on vehicles nobody has written about for long: they cannot be planned but must be found."""

from datetime import date, timedelta

import polars as pl

from models.planning.covers import COVER, unwatched_covers
from models.planning.known import FleetLedger, known_by
from models.planning.looks import looks_since_repair
from models.planning.rules import wet_unrepaired
from models.planning.wording import day_words
from models.settings import EpisodeRules, FlagRules
from models.tables import conform
from models.tables.plan import LeaksOutOfSight


def out_of_sight(last_seen: pl.DataFrame, *, rules: FlagRules, as_of: date) -> pl.Series:
    """The vehicles without a recent record, all that `leaks_out_of_sight` needs to know of.

    Args:
        last_seen: From `models.episodes.last_records`.
        rules: How long a vehicle without a record is still watched.
        as_of: The day.
    """
    watched_since = as_of - timedelta(days=rules.watched_within_days)
    return last_seen.filter(pl.col("last_on") < watched_since)["vehicle_id"]


def leaks_out_of_sight(
    ledger: FleetLedger, *, rules: FlagRules, episode_rules: EpisodeRules, as_of: date
) -> pl.DataFrame:
    """List the covers with an unanswered wet look on vehicles in service that have no recent record.

    Flags watch vehicles with a record within `watched_within_days`; this is what they leave out and must not be lost.

    Args:
        ledger: The tables of the fleet, or of its vehicles `out_of_sight`; what is dated after `as_of` is not read.
        rules: How long a vehicle without a record is still watched.
        episode_rules: The window in which smell alone is oil left from before a repair.
        as_of: The day.

    Returns:
        `LeaksOutOfSight`: drops and oil near the exhaust first, then the latest wet look, then the vehicle.
    """
    known = known_by(ledger, as_of)
    covers = unwatched_covers(known, watched_within_days=rules.watched_within_days, as_of=as_of)
    looks = looks_since_repair(known, covers, rules=episode_rules)
    words = "No record since {} ({} days). {}: find out where the vehicle is"
    return (
        covers.join(known.last_seen.select("vehicle_id", last_record_on="last_on"), on="vehicle_id")
        .join(_wet_looks(looks), on=COVER)
        .join(wet_unrepaired(looks, rules=rules), on=COVER)
        .with_columns(
            as_of=pl.lit(as_of), days_without_record=(pl.lit(as_of) - pl.col("last_record_on")).dt.total_days()
        )
        .with_columns(
            reasons=pl.format(words, day_words(pl.col("last_record_on")), "days_without_record", pl.col("reason"))
        )
        .sort("is_urgent", "wet_on", "vehicle_id", "cover_position", descending=[True, True, False, False])
        .pipe(conform, LeaksOutOfSight)
    )


def _wet_looks(looks: pl.DataFrame) -> pl.DataFrame:
    """The latest unanswered wet look at each cover, and whether any of them tells of danger."""
    return (
        looks.filter(pl.col("is_open") & pl.col("is_wet"))
        .group_by(COVER)
        .agg(wet_on=pl.col("noted_on").max(), is_urgent=(pl.col("is_drops") | pl.col("is_near_exhaust")).any())
    )
