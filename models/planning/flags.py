"""Covers due for a look on a day, ranked, each with its chance of a leak and its reasons."""

from datetime import date

import polars as pl

from models.oil import oil_rate_shift
from models.planning import rules as due
from models.planning.covers import COVER, watched_covers
from models.planning.known import FleetLedger, known_by
from models.planning.lives import Weibull, repair_lives, with_life
from models.planning.looks import last_look, looks_since_repair
from models.planning.wording import sentence
from models.settings import EpisodeRules, FlagRules, OilRules
from models.tables import conform
from models.tables.plan import FLAG_RULES, URGENT, Flags

EVEN_CHANCE = 0.5
"""A wet look that names no side of a two-bank engine is at one of two covers."""

_LIFE = Weibull(pl.col("shape"), pl.col("scale"))


def flags(
    ledger: FleetLedger, *, rules: FlagRules, oil_rules: OilRules, episode_rules: EpisodeRules, as_of: date
) -> pl.DataFrame:
    """Flag the covers due for a look, from what was known on a day.

    `probability` is 1 where a cover is known to be wet; one half at least where a wet look names neither side; else
    that of a leak within the horizon, dry so far, from the Weibull life of such repairs at the vehicle's own daily
    distance. It is null in a cover's first life, where no repairs tell how long it lasts, and after a leak that dried
    up.

    Urgent flags rank first, then the higher probability, then the earlier due day, then the vehicle. A flag of unknown
    probability ranks as one of `min_probability`.

    Args:
        ledger: The fleet's tables; what is dated after `as_of` is not read.
        rules: What makes a cover due.
        oil_rules: When an oil rate has shifted.
        episode_rules: The window in which smell alone is oil left from before a repair.
        as_of: The day.

    Returns:
        `Flags`, by priority.
    """
    known = known_by(ledger, as_of)
    covers = watched_covers(known, watched_within_days=rules.watched_within_days, as_of=as_of)
    looks = looks_since_repair(known, covers, rules=episode_rules)
    lives = repair_lives(known.episodes, min_releaks=rules.min_releaks)
    judged = (
        with_life(covers, lives)
        .join(last_look(looks), on=COVER, how="left")
        .join(_wetness(looks), on=COVER, how="left")
        .pipe(_with_chances, rules=rules, as_of=as_of)
    )
    shifts = _shifts(known, oil_rules)
    fired = pl.concat(
        [
            due.smell_or_drops(looks, rules=rules, as_of=as_of),
            due.wet_unrepaired(looks, rules=rules),
            due.seep_not_rechecked(looks, rules=rules, as_of=as_of),
            due.oil_rate_shifted(covers, looks, shifts=shifts, rules=rules),
            due.post_repair_check(judged, rules=rules, as_of=as_of),
            due.interval_passed(judged, rules=rules, as_of=as_of),
            due.high_probability(judged, rules=rules, as_of=as_of),
        ],
        how="vertical_relaxed",
    )
    return _gather(judged, fired, rules).pipe(_rank, rules=rules, as_of=as_of).pipe(conform, Flags)


def _shifts(known: FleetLedger, oil_rules: OilRules) -> pl.DataFrame:
    """The oil-rate shift of each vehicle's present engine, with its latest top-up."""
    latest = known.oil_segments.group_by("vehicle_id", "engine_id").agg(last_top_up_on=pl.col("ended_on").max())
    shifts = oil_rate_shift(known.oil_segments, rules=oil_rules)
    return shifts.join(latest, on=["vehicle_id", "engine_id"], how="left")


def _wetness(looks: pl.DataFrame) -> pl.DataFrame:
    """How likely each cover with an unanswered wet look is the one that leaks."""
    return (
        looks.filter(pl.col("is_open") & pl.col("is_wet"))
        .group_by(COVER)
        .agg(is_wet_here=pl.col("has_side").any())
        .select(*COVER, wet_chance=pl.when("is_wet_here").then(1.0).otherwise(EVEN_CHANCE))
    )


def _with_chances(covers: pl.DataFrame, *, rules: FlagRules, as_of: date) -> pl.DataFrame:
    """Add the conditional probability, the days until the next look, and the probability a flag shows."""
    since_look_days = (pl.lit(as_of) - pl.col("last_look_on")).dt.total_days().fill_null(pl.col("age_days"))
    seen_dry_at = (pl.col("age") - since_look_days * pl.col("pace")).clip(lower_bound=0.0)
    next_look_at = _LIFE.age_of_chance(
        pl.when(pl.col("last_look_on").is_null()).then(0.0).otherwise(seen_dry_at), rules.min_probability
    )
    return covers.with_columns(
        leak_probability=_LIFE.leak_probability(pl.col("age"), rules.horizon_days * pl.col("pace")),
        next_look_days=(next_look_at - pl.col("age")) / pl.col("pace"),
    ).with_columns(probability=pl.max_horizontal("wet_chance", "leak_probability"))


def _gather(covers: pl.DataFrame, fired: pl.DataFrame, rules: FlagRules) -> pl.DataFrame:
    """One row a cover with everything that fired, the most urgent reason first, then what is known of its repair."""
    rank = pl.col("rule").replace_strict({rule: place for place, rule in enumerate(FLAG_RULES)}, return_dtype=pl.Int8)
    flagged = (
        fired.sort(*COVER, rank)
        .group_by(COVER, maintain_order=True)
        .agg(
            pl.col("due_by").min(),
            rules=pl.col("rule"),
            said=sentence(pl.col("reason")).str.join(" "),
            evidence_ids=pl.col("evidence_ids").explode(empty_as_null=False).unique().sort(),
        )
        .join(covers, on=COVER)
    )
    says_repair = pl.col("rules").list.contains("post_repair_check") | pl.col("repaired_on").is_null()
    says_chance = pl.col("rules").list.contains("high_probability") | pl.col("wet_chance").is_not_null()
    told = pl.concat_str(
        "said",
        pl.when(~says_repair).then(sentence(due.repair_ago())),
        pl.when(~says_chance).then(sentence(due.chance_of_leak(rules=rules))),
        separator=" ",
        ignore_nulls=True,
    )
    return flagged.with_columns(reasons=told)


def _rank(flagged: pl.DataFrame, *, rules: FlagRules, as_of: date) -> pl.DataFrame:
    """Add what is the same for all, and the priority."""
    return (
        flagged.with_columns(
            is_urgent=pl.col("rules").list.contains(URGENT),
            counted_as=pl.col("probability").fill_null(rules.min_probability),
        )
        .sort(
            "is_urgent",
            "counted_as",
            "due_by",
            "vehicle_id",
            "cover_position",
            descending=[True, True, False, False, False],
        )
        .with_row_index("priority", offset=1)
        .with_columns(as_of=pl.lit(as_of), horizon_days=pl.lit(rules.horizon_days))
    )
