"""The weekly plan: flagged covers placed in weeks and bays, the most loss avoided for a bay hour first."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta

import polars as pl

from models.planning.parts import parts_of_repair
from models.planning.wording import day_words
from models.settings import PlanRules
from models.tables import conform
from models.tables.plan import OIL_RATE, URGENT, Plan

BAY_DAY_HOURS = 8.0
"""Hours a bay works in a day (common practice): so many hours in the bay are a day off the road."""
LIKELY_REPAIR = 0.5
"""More likely than not: the parts of such a repair are named on the visit."""
ROUNDING_HOURS = 1e-9
"""Sums of hours that differ by less are equal."""


@dataclass(frozen=True)
class Visit:
    """One vehicle in one bay, with all its flagged covers.

    Attributes:
        vehicle_id: Which vehicle.
        hours: Bay hours it is expected to take.
        loss_avoided: Expected loss avoided by it, in the fleet's currency.
        is_urgent: Whether the vehicle should not be driven before it.
        last_week: Number of the planned week it is due in, 0 for the first and for what is overdue.
    """

    vehicle_id: str
    hours: float
    loss_avoided: float
    is_urgent: bool
    last_week: int

    @property
    def order(self) -> tuple[bool, float, int, str]:
        """Sort key: urgent first, then loss avoided per bay hour, then what is due sooner."""
        return not self.is_urgent, -self.loss_avoided / self.hours, self.last_week, self.vehicle_id


def plan(flags: pl.DataFrame, families: pl.DataFrame, *, rules: PlanRules, as_of: date, currency: str) -> pl.DataFrame:
    """Place flagged covers in the weeks to come, site by site, within the bay hours each can spare.

    A look takes `inspection_hours` and, with the flag's probability, the family's standard repair as well. It avoids,
    with that probability, the difference between an unplanned leak and a planned repair. The flagged covers of one
    vehicle share a visit.

    Visits are taken urgent ones first, then by loss avoided per bay hour. Urgent ones take the first week with room;
    each other one the latest week up to its due day that still has room, failing that the first after it. Then what can
    be seen sooner is moved forward, in the same order. What fits into no week is listed with what it costs to wait.

    Args:
        flags: `Flags`.
        families: `EngineFamilies`.
        rules: Capacity and costs.
        as_of: Planning starts with its week.
        currency: Code the costs are in, for the reasons.

    Returns:
        `Plan`, sorted by week (what found none last), site, vehicle and cover.
    """
    first_week = first_planned_week(as_of)
    costed = _with_costs(flags, families, rules)
    week_of = {
        vehicle: week
        for (site,), covers in costed.sort("site").group_by("site", maintain_order=True)
        for vehicle, week in place(
            _visits(covers, first_week, rules.weeks), capacity_hours=capacity_hours(str(site), rules), weeks=rules.weeks
        ).items()
    }
    placed = pl.DataFrame(
        {"vehicle_id": list(week_of), "week": list(week_of.values())},
        schema={"vehicle_id": pl.String, "week": pl.Int64},
    )
    return (
        costed.join(placed, on="vehicle_id", how="left")
        .with_columns(
            week_start=pl.lit(first_week) + pl.duration(weeks=pl.col("week")), placed=pl.col("week").is_not_null()
        )
        .pipe(_with_reasons, rules, currency)
        .sort("week_start", "site", "vehicle_id", "cover_position", nulls_last=True)
        .pipe(conform, Plan)
    )


def first_planned_week(as_of: date) -> date:
    """The Monday of the day's week: what is urgent cannot wait for the next."""
    return as_of - timedelta(days=as_of.weekday())


def capacity_hours(site: str, rules: PlanRules) -> float:
    """Bay hours a week that a site can spare."""
    return rules.site_bay_hours_per_week.get(site, rules.bay_hours_per_week)


def place(visits: Iterable[Visit], *, capacity_hours: float, weeks: int) -> dict[str, int]:
    """Place the visits of one site in weeks numbered from 0, none over its capacity.

    This is job sequencing with deadlines, greedy by worth per hour, followed by passes that move visits forward for as
    long as one can be.

    Returns:
        Vehicle to week, without those that found none.
    """
    in_order = sorted(visits, key=lambda visit: visit.order)
    room = [capacity_hours] * weeks
    week_of: dict[str, int] = {}
    for visit in in_order:
        week = _first_with_room(visit.hours, room, _weeks_to_try(visit, weeks))
        if week is not None:
            week_of[visit.vehicle_id] = week
            room[week] -= visit.hours
    while _move_forward(in_order, room, week_of):
        pass
    return week_of


def _move_forward(in_order: list[Visit], room: list[float], week_of: dict[str, int]) -> bool:
    """Give each visit the first earlier week with room, or any where it has none yet; say whether one moved."""
    has_moved = False
    for visit in in_order:
        now = week_of.get(visit.vehicle_id)
        sooner = _first_with_room(visit.hours, room, range(len(room) if now is None else now))
        if sooner is not None:
            has_moved = True
            week_of[visit.vehicle_id] = sooner
            room[sooner] -= visit.hours
            if now is not None:
                room[now] += visit.hours
    return has_moved


def _weeks_to_try(visit: Visit, weeks: int) -> list[int]:
    """Weeks in the order a visit is tried in: up to its due day the latest first, then the first after it."""
    if visit.is_urgent:
        return list(range(weeks))
    last = min(visit.last_week, weeks - 1)
    return [*range(last, -1, -1), *range(last + 1, weeks)]


def _first_with_room(hours: float, room: list[float], weeks: Iterable[int]) -> int | None:
    """The first of some weeks that still has so many hours."""
    return next((week for week in weeks if room[week] + ROUNDING_HOURS >= hours), None)


def _with_costs(flags: pl.DataFrame, families: pl.DataFrame, rules: PlanRules) -> pl.DataFrame:
    """Add hours, days off the road, loss avoided and parts of each flagged cover."""
    avoidable = max(rules.unplanned_leak_cost - rules.planned_repair_cost, 0.0)
    repair_hours = pl.col("standard_hours").fill_null(rules.repair_hours)
    return (
        flags.join(families.select("engine_family", "standard_hours"), on="engine_family", how="left")
        .join(parts_of_repair(families).pipe(_parts_in_words), on="engine_family", how="left")
        .with_columns(chance_of_repair=_chance_of_repair(rules))
        .with_columns(hours=rules.inspection_hours + pl.col("chance_of_repair") * repair_hours)
        .with_columns(
            is_urgent=pl.col("rules").list.contains(URGENT),
            days_off_road=pl.col("hours") / BAY_DAY_HOURS,
            loss_avoided=pl.col("chance_of_repair") * avoidable,
            parts=pl.when(pl.col("chance_of_repair") >= LIKELY_REPAIR).then("parts").fill_null(""),
        )
    )


def _chance_of_repair(rules: PlanRules) -> pl.Expr:
    """The flag's probability, which is that of a cover dry so far: one that smells, or takes more oil, has more."""
    known = pl.col("probability").fill_null(rules.chance_if_unknown)
    is_suspect = pl.col("rules").list.contains(URGENT) | pl.col("rules").list.contains(OIL_RATE)
    return pl.when(is_suspect).then(pl.max_horizontal(known, pl.lit(rules.chance_if_unknown))).otherwise(known)


def _parts_in_words(parts: pl.DataFrame) -> pl.DataFrame:
    """One row a family with its parts, ';' between them."""
    return parts.group_by("engine_family").agg(parts=pl.col("part").str.join("; "))


def _visits(covers: pl.DataFrame, first_week: date, weeks: int) -> list[Visit]:
    """Put the flagged covers of each vehicle into one visit."""
    weeks_left = (pl.col("due_by").min() - pl.lit(first_week)).dt.total_days() // 7
    grouped = (
        covers.sort("vehicle_id", "cover_position")
        .group_by("vehicle_id", maintain_order=True)
        .agg(
            pl.col("hours", "loss_avoided").sum(),
            pl.col("is_urgent").any(),
            last_week=weeks_left.clip(0, weeks - 1),
        )
    )
    return [Visit(**row) for row in grouped.iter_rows(named=True)]


def _with_reasons(planned: pl.DataFrame, rules: PlanRules, currency: str) -> pl.DataFrame:
    """Say of each cover why it is where it is, or what it costs to wait."""
    visit_hours = pl.col("hours").sum().over("vehicle_id")
    capacity = pl.lit(pl.Series([capacity_hours(site, rules) for site in planned["site"]], dtype=pl.Float64))
    loss = pl.format("an expected {} {}", pl.col("loss_avoided").round(0).cast(pl.Int64), pl.lit(currency))
    worth = pl.format("avoids {} in {} bay hours", loss, pl.col("hours").round(2))
    due = day_words(pl.col("due_by"))
    unplaced = (
        pl.when(visit_hours > capacity + ROUNDING_HOURS)
        .then(pl.format("takes {} h, more than the {} h a week the site can spare", visit_hours.round(1), capacity))
        .otherwise(pl.lit(f"no bay hours left in the {rules.weeks} weeks planned: they go to looks worth more an hour"))
    )
    is_late = pl.col("week_start") > pl.col("due_by")
    placed = (
        pl.when(pl.col("is_urgent") & (pl.col("week") == 0))
        .then(pl.lit("urgent: before anything else in the first week, and before the vehicle is driven again"))
        .when("is_urgent")
        .then(pl.lit("urgent, but the weeks before are full: not to be driven until looked at"))
        .when(is_late & (pl.col("week") == 0))
        .then(pl.format("was due by {}: in the first week; {}", due, worth))
        .when(is_late)
        .then(pl.format("was due by {}, but the weeks before are full of looks worth more an hour; {}", due, worth))
        .otherwise(pl.format("in time for {}; {}", due, worth))
    )
    shares = pl.when(pl.len().over("vehicle_id") > 1).then(pl.lit("; one visit with the vehicle's other cover"))
    return planned.with_columns(
        reason=pl.when("placed")
        .then(pl.concat_str(placed, shares.otherwise(pl.lit(""))))
        .otherwise(pl.format("{}; waiting costs {}", unplaced, loss))
    )
