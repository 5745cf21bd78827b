"""What was seen and smelt at each watched cover since its latest repair, and whether it has been answered since."""

import polars as pl

from models.episodes.facts import DRY_POLARITIES
from models.episodes.residue import RESIDUE_SYMPTOMS, is_residue
from models.odometer import distance_at
from models.planning.covers import COVER
from models.planning.known import FleetLedger
from models.settings import EpisodeRules
from models.tables.ledger import JOINT_COMPONENTS

DROPS = ("II", "III")
"""Leak classes in which drops form or fall."""

_SMELL = rf"(^|;)\s*({'|'.join(sorted(RESIDUE_SYMPTOMS))})\s*(;|$)"
_SINCE_REPAIR = pl.col("repaired_on").is_null() | (pl.col("noted_on") > pl.col("repaired_on"))
_SINCE_ANY_REPAIR = pl.col("other_repaired_on").is_null() | (pl.col("noted_on") > pl.col("other_repaired_on"))


def looks_since_repair(known: FleetLedger, covers: pl.DataFrame, *, rules: EpisodeRules) -> pl.DataFrame:
    """List the findings at each cover since its latest repair, or since ever in its first life.

    A finding that names no side of a two-bank engine counts for both covers until either is repaired. What an order
    found at the cover it repaired itself belongs before that repair.

    Args:
        known: Cut at the day by `known_by`.
        covers: From `watched_covers`.
        rules: The window in which smell alone is oil left from before the repair.

    Returns:
        One row a cover and finding, sorted: the cover's key, evidence_id, noted_on, leak_class, has_side, is_wet,
        is_dry, is_smell, is_drops, is_near_exhaust, is_open (a wet look or smell that no later dry look answers).
    """
    found = (
        covers.select(
            *COVER,
            "is_single",
            "repaired_on",
            "other_repaired_on",
            "odometer_km_at_repair",
            "odometer_error_km_at_repair",
        )
        .join(known.evidence.rename({"cover_position": "said_position"}), on=["vehicle_id", "engine_id"])
        .with_columns(has_side=pl.col("is_single") | (pl.col("said_position") == pl.col("cover_position")))
        .filter(pl.col("has_side") | (pl.col("said_position") == ""))
        .filter(pl.when("has_side").then(_SINCE_REPAIR).otherwise(_SINCE_ANY_REPAIR))
        .pipe(_without_own_repairs, known.cover_work)
    )
    return (
        found.pipe(_read, known.odometer_curve, rules)
        .pipe(_with_answers)
        .sort(*COVER, "noted_on", "evidence_id")
        .select(
            *COVER,
            "evidence_id",
            "noted_on",
            "leak_class",
            "has_side",
            "is_wet",
            "is_dry",
            "is_smell",
            "is_drops",
            "is_near_exhaust",
            "is_open",
        )
    )


def last_look(looks: pl.DataFrame) -> pl.DataFrame:
    """Day each cover was last looked at: a finding of wet or dry that names it, or a dry one that names no side.

    Returns:
        The cover's key and last_look_on; covers not looked at are left out.
    """
    is_look = (pl.col("has_side") & pl.col("is_wet")) | pl.col("is_dry")
    return looks.filter(is_look).group_by(COVER).agg(last_look_on=pl.col("noted_on").max())


def _without_own_repairs(found: pl.DataFrame, cover_work: pl.DataFrame) -> pl.DataFrame:
    """Leave out what repair orders say about the cover they repaired."""
    repairs = cover_work.filter(pl.col("work") == "repair").select(
        origin_id="order_id", repaired_position="cover_position", origin_kind=pl.lit("work_orders")
    )
    is_own = (
        pl.col("is_single")
        | ~pl.col("has_side")
        | pl.col("repaired_position").is_in(["", "only"])
        | (pl.col("repaired_position") == pl.col("cover_position"))
    )
    key = [*COVER, "evidence_id"]
    own = found.join(repairs, on=["origin_id", "origin_kind"]).filter(is_own).select(key)
    return found.join(own, on=key, how="anti")


def _read(found: pl.DataFrame, curve: pl.DataFrame, rules: EpisodeRules) -> pl.DataFrame:
    """Say what each finding is: wet, dry, or a smell that is not that of oil left from before the repair."""
    is_of_joint = pl.col("component").is_in(JOINT_COMPONENTS)
    is_wet = is_of_joint & (pl.col("polarity") == "present")
    says_smell = (
        (is_of_joint | (pl.col("component") == "none"))
        & pl.col("polarity").is_in(["present", "uncertain"])
        & pl.col("symptoms").str.contains(_SMELL)
    )
    smells = found.filter(says_smell)
    old_oil = smells.filter(_of_old_oil(smells, curve, rules)).select(*COVER, "evidence_id", is_of_old_oil=pl.lit(True))
    return found.join(old_oil, on=[*COVER, "evidence_id"], how="left").with_columns(
        is_wet=is_wet,
        is_dry=is_of_joint & pl.col("polarity").is_in(sorted(DRY_POLARITIES)),
        is_smell=says_smell & pl.col("is_of_old_oil").is_null(),
        is_drops=is_wet & pl.col("leak_class").is_in(DROPS).fill_null(False),
        is_near_exhaust=is_wet & (pl.col("hot_part") != ""),
    )


def _of_old_oil(found: pl.DataFrame, curve: pl.DataFrame, rules: EpisodeRules) -> pl.Series:
    """Whether the symptoms of each finding alone are those of oil left from before the repair."""
    at = distance_at(curve, found.select("vehicle_id", at="noted_at"))
    since = found.select(
        symptoms=pl.col("symptoms").str.split(";").list.eval(pl.element().str.strip_chars()),
        days=(pl.col("noted_on") - pl.col("repaired_on")).dt.total_days(),
        km=at["distance_km"] - pl.col("odometer_km_at_repair"),
        error_km=at["error_km"] + pl.col("odometer_error_km_at_repair"),
    )
    told = [
        days is not None and is_residue(frozenset(symptoms), days=days, km=km, error_km=error_km, rules=rules)
        for symptoms, days, km, error_km in since.iter_rows()
    ]
    return pl.Series(told, dtype=pl.Boolean)


def _with_answers(found: pl.DataFrame) -> pl.DataFrame:
    """Say which wet looks and smells stand: a dry look on a later day that names the cover answers all of them, one
    that names no side answers those that name none either."""
    dry_on = pl.when("is_dry").then("noted_on")
    dry_here_on = pl.when("has_side").then(dry_on).max().over(COVER)
    dry_on_any = dry_on.max().over(COVER)
    answered_on = pl.when("has_side").then(dry_here_on).otherwise(dry_on_any)
    is_answered = (answered_on > pl.col("noted_on")).fill_null(False)
    return found.with_columns(is_open=(pl.col("is_wet") | pl.col("is_smell")) & ~is_answered)
