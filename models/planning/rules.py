"""Which covers are due for a look, each rule on its own: who, by when, why in words, and on what evidence.

Every rule returns one row a cover it fires for: the cover's key, `rule`, `due_by`, `reason` and `evidence_ids`.
"""

from datetime import date, timedelta

import polars as pl

from models.planning.covers import COVER
from models.planning.wording import chance_words, day_words, repair_words, whole_words
from models.settings import FlagRules
from models.tables.plan import OIL_RATE, URGENT

_NO_SIDE = pl.when("has_side").then(pl.lit("")).otherwise(pl.lit(" (no side named)"))
_CLASS = pl.when(pl.col("leak_class").is_null()).then(pl.lit("")).otherwise(pl.format(" (class {})", "leak_class"))


def smell_or_drops(looks: pl.DataFrame, *, rules: FlagRules, as_of: date) -> pl.DataFrame:
    """A burning smell or smoke of late, drops, or oil near the exhaust, not answered: due the day it was noted."""
    is_smell_of_late = pl.col("is_smell") & (pl.col("noted_on") >= as_of - timedelta(days=rules.smell_days))
    is_urgent = is_smell_of_late | pl.col("is_drops") | pl.col("is_near_exhaust")
    what = (
        pl.when("is_near_exhaust")
        .then(pl.lit("Oil near the exhaust"))
        .when("is_drops")
        .then(pl.format("Drops (class {})", "leak_class"))
        .otherwise(pl.lit("Burning smell or smoke"))
    )
    words = "{} on {}{}, no repair or dry look since: look at it before the vehicle is driven again"
    return _latest_finding(
        looks.filter(pl.col("is_open") & is_urgent),
        rule=URGENT,
        due_by=pl.col("noted_on"),
        reason=pl.format(words, what, day_words(pl.col("noted_on")), _NO_SIDE),
    )


def wet_unrepaired(looks: pl.DataFrame, *, rules: FlagRules) -> pl.DataFrame:
    """A wet look with neither a repair nor a dry look since: due while a seep would be looked at again."""
    return _latest_finding(
        looks.filter(pl.col("is_open") & pl.col("is_wet")),
        rule="wet_unrepaired",
        due_by=pl.col("noted_on") + timedelta(days=rules.seep_recheck_days),
        reason=pl.format(
            "Wet{} on {}{}, neither repaired nor found dry since", _CLASS, day_words(pl.col("noted_on")), _NO_SIDE
        ),
    )


def seep_not_rechecked(looks: pl.DataFrame, *, rules: FlagRules, as_of: date) -> pl.DataFrame:
    """A class I seep as the latest look at a cover, longer ago than a seep may wait."""
    latest = (
        looks.filter(pl.col("is_wet") | pl.col("is_dry"))
        .sort(*COVER, "noted_on", "is_wet", "leak_class", "evidence_id", nulls_last=False)
        .unique(COVER, keep="last", maintain_order=True)
    )
    due_on = pl.col("noted_on") + timedelta(days=rules.seep_recheck_days)
    waited = (pl.lit(as_of) - pl.col("noted_on")).dt.total_days()
    words = (
        f"Weeping (class I) seen {{}} days ago and not looked at again; such a seep may wait {rules.seep_recheck_days}"
    )
    return _latest_finding(
        latest.filter(pl.col("is_open") & pl.col("is_wet") & (pl.col("leak_class") == "I") & (due_on < as_of)),
        rule="seep_not_rechecked",
        due_by=due_on,
        reason=pl.format(words, waited),
    )


def oil_rate_shifted(
    covers: pl.DataFrame, looks: pl.DataFrame, *, shifts: pl.DataFrame, rules: FlagRules
) -> pl.DataFrame:
    """The vehicle's oil rate moved up, and the cover was neither repaired nor found dry since.

    Args:
        covers: From `watched_covers`.
        looks: From `looks_since_repair`.
        shifts: From `models.oil.oil_rate_shift`, with `last_top_up_on` of the engine.
        rules: For the time until the look is due.
    """
    found_dry = looks.filter("is_dry").group_by(COVER).agg(dry_on=pl.col("noted_on").max())
    answered_on = pl.max_horizontal("repaired_on", "dry_on")
    shifted = (
        covers.join(shifts.filter("shifted"), on=["vehicle_id", "engine_id"])
        .join(found_dry, on=COVER, how="left")
        .filter(answered_on.is_null() | (answered_on < pl.col("since_on")))
    )
    words = "Oil use {} times what it was since about {}, and the cover not looked at or repaired since"
    return shifted.select(
        *COVER,
        rule=pl.lit(OIL_RATE),
        due_by=pl.col("last_top_up_on") + timedelta(days=rules.seep_recheck_days),
        reason=pl.format(words, pl.col("ratio").round(1), day_words(pl.col("since_on"))),
        evidence_ids=pl.lit([], pl.List(pl.String)),
    )


def post_repair_check(covers: pl.DataFrame, *, rules: FlagRules, as_of: date) -> pl.DataFrame:
    """A repair past its first days or kilometres, whichever end first, with no look at the cover since.

    Args:
        covers: From `watched_covers`, with `last_look_on`.
        rules: The days and kilometres.
        as_of: The day.
    """
    by_days = pl.col("repaired_on") + timedelta(days=rules.post_repair_check_days)
    km_took_days = (
        (
            pl.col("age_days")
            * rules.post_repair_check_km
            / pl.col("age_km").clip(lower_bound=rules.post_repair_check_km)
        )
        .ceil()
        .cast(pl.Int64)
    )
    by_km = pl.when(pl.col("age_km") >= rules.post_repair_check_km).then(
        pl.col("repaired_on") + pl.duration(days=km_took_days)
    )
    due = covers.filter(pl.col("repaired_on").is_not_null() & pl.col("last_look_on").is_null()).with_columns(
        due_by=pl.min_horizontal(by_days, by_km)
    )
    words = (
        f"{{}} and no look since, due after {rules.post_repair_check_days} days or {rules.post_repair_check_km:.0f} km"
    )
    return _of_covers(
        due.filter(pl.col("due_by") <= as_of),
        rule="post_repair_check",
        due_by=pl.col("due_by"),
        reason=pl.format(words, repair_ago()),
    )


def interval_passed(covers: pl.DataFrame, *, rules: FlagRules, as_of: date) -> pl.DataFrame:
    """More time since the last look or repair than it takes for `min_probability` of such covers to leak.

    Args:
        covers: From `watched_covers`, with a life and `next_look_days` (from the day, negative where past).
        rules: The probability.
        as_of: The day.
    """
    since = pl.coalesce("last_look_on", "repaired_on")
    due_by = _day_after(as_of, pl.col("next_look_days"))
    words = "Last {} {} days ago, past its interval of {} days, by which {} such covers leak"
    what = pl.when(pl.col("last_look_on").is_null()).then(pl.lit("repaired")).otherwise(pl.lit("looked at"))
    waited = (pl.lit(as_of) - since).dt.total_days()
    return _of_covers(
        covers.filter(pl.col("next_look_days") < 0.0),
        rule="interval_passed",
        due_by=due_by,
        reason=pl.format(
            words, what, waited, (due_by - since).dt.total_days(), chance_words(pl.lit(rules.min_probability))
        ),
    )


def high_probability(covers: pl.DataFrame, *, rules: FlagRules, as_of: date) -> pl.DataFrame:
    """A conditional probability of a leak within the horizon of `min_probability` or more: due at its next interval.

    Args:
        covers: From `watched_covers`, with `leak_probability` and `next_look_days`.
        rules: The probability and the horizon.
        as_of: The day.
    """
    ahead = pl.col("next_look_days").clip(0.0, float(rules.horizon_days))
    return _of_covers(
        covers.filter(pl.col("leak_probability") >= rules.min_probability),
        rule="high_probability",
        due_by=_day_after(as_of, ahead),
        reason=chance_of_leak(rules=rules),
    )


def repair_ago() -> pl.Expr:
    """The latest repair of a cover with its days and, where known, kilometres."""
    km = pl.when(pl.col("age_km").is_not_null()).then(pl.format(", {} km", whole_words(pl.col("age_km"))))
    return pl.format(
        "{} {} days{} ago",
        repair_words(pl.col("repair_method")),
        whole_words(pl.col("age_days")),
        km.otherwise(pl.lit("")),
    )


def chance_of_leak(*, rules: FlagRules) -> pl.Expr:
    """The conditional probability of a cover, in words, with what it is reckoned from."""
    kind = (
        pl.when(pl.col("life_family") != "")
        .then(pl.format("of this kind on {}", "life_family"))
        .when(pl.col("life_method") != "")
        .then(pl.lit("of this kind on any engine"))
        .otherwise(pl.lit("of any kind"))
    )
    pace = pl.when(pl.col("time_scale") == "km").then(pl.format(" at its {} km a day", whole_words(pl.col("pace"))))
    return pl.format(
        "Dry so far, {} such repairs leak again within the next {} days{} ({} re-leaks in {} repairs {})",
        chance_words(pl.col("leak_probability")),
        pl.lit(rules.horizon_days),
        pace.otherwise(pl.lit("")),
        "releaks",
        "repairs",
        kind,
    )


def _latest_finding(looks: pl.DataFrame, *, rule: str, due_by: pl.Expr, reason: pl.Expr) -> pl.DataFrame:
    """One row a cover with the words of its latest finding and the evidence of all."""
    return (
        looks.with_columns(rule=pl.lit(rule), due_by=due_by, reason=reason)
        .sort(*COVER, "noted_on", "evidence_id")
        .group_by(COVER, maintain_order=True)
        .agg(pl.col("rule", "due_by", "reason").last(), evidence_ids=pl.col("evidence_id"))
    )


def _of_covers(covers: pl.DataFrame, *, rule: str, due_by: pl.Expr, reason: pl.Expr) -> pl.DataFrame:
    """One row a cover, resting on the records of its repair alone."""
    return covers.select(
        *COVER, rule=pl.lit(rule), due_by=due_by, reason=reason, evidence_ids=pl.lit([], pl.List(pl.String))
    )


def _day_after(as_of: date, days: pl.Expr) -> pl.Expr:
    """The day so many days, whole ones counted, after a day."""
    return pl.lit(as_of) + pl.duration(days=days.floor().cast(pl.Int64))
