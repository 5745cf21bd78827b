"""Planning: what to bring in over the coming weeks, and what that costs in bays, parts and days off the road."""

from dataclasses import dataclass
from datetime import timedelta
from typing import Any

import polars as pl

from dashboards.drawing import Drawing, drawing
from dashboards.figures.bay_hours import bay_hours
from dashboards.saying import week_against_capacity
from dashboards.snapshot import Snapshot
from dashboards.stories import vehicle_cell
from dashboards.tabulating import Brief, Row, Table, columns
from dashboards.wording import (
    COVER_WORDS,
    NOTHING,
    counted,
    day_words,
    decimal,
    percent,
    sentence_start,
    site_words,
    whole,
)
from models.planning.plan import capacity_hours, first_planned_week
from models.tables.plan import URGENT

MAX_VISITS, MAX_URGENT, MAX_WAITING, MAX_LOST, MAX_PARTS, MAX_SITES = 400, 40, 200, 200, 400, 60
"""What a page shows at most; the rest is in the CSV and the page says so."""


@dataclass(frozen=True)
class SiteBays:
    """The bay hours of one site, or of all where `site` is empty."""

    site: str
    drawing: Drawing


@dataclass(frozen=True)
class SiteVisits:
    """What one site sees in one week."""

    site: str
    heading: str
    rows: tuple[Row, ...]


@dataclass(frozen=True)
class WeekVisits:
    """What all sites see in one week."""

    week_start: str
    heading: str
    load: str
    sites: tuple[SiteVisits, ...]


VISIT_COLUMNS = columns(
    "Vehicle", "Cover", "Why", "Chance of a leak", "Hours", "Parts", "Off the road", "Due by",
    numbers=("Chance of a leak", "Hours", "Off the road"), codes=("Vehicle", "Parts"),
)  # fmt: skip


def contents(snapshot: Snapshot) -> dict[str, Any]:
    """Read the flags, the plan and the pick list, and lay them out."""
    visits = snapshot.select("select_visits")
    placed = visits.filter("placed")
    weeks = _weeks_per_site(snapshot, visits)
    return {
        "urgent": _urgent_table(snapshot),
        "headlines_shown": _headlines(snapshot, visits, weeks),
        "bays": _bays(weeks, visits),
        "sites_options": [(site, site) for site in sorted(visits["site"].unique())],
        "weeks": [(str(week), day_words(week)) for week in sorted(placed["week_start"].unique().drop_nulls())],
        "site_totals": _site_totals(snapshot, visits, weeks),
        "week_by_site": _week_by_site(weeks),
        "visit_columns": VISIT_COLUMNS,
        "visits": _visits_by_week(placed.head(MAX_VISITS), weeks, told=snapshot.told_vehicles),
        "visits_shown": min(placed.height, MAX_VISITS),
        "visit_count": placed.height,
        "waiting_covers": _waiting_table(visits, snapshot.settings.fleet.currency, told=snapshot.told_vehicles),
        "pick_list": _pick_list(snapshot),
        "out_of_sight": _out_of_sight_table(snapshot),
        "horizon_days": snapshot.settings.flags.horizon_days,
        "watched_within_days": snapshot.settings.flags.watched_within_days,
    }


def _weeks_per_site(snapshot: Snapshot, visits: pl.DataFrame) -> pl.DataFrame:
    """One row a site and week: `hours`, `vehicles`, `capacity_hours`; weeks without work have none."""
    rules = snapshot.settings.plan
    first = visits["week_start"].min() or first_planned_week(snapshot.as_of)
    last = visits["week_start"].max() or first
    length = max(rules.weeks, (last - first).days // 7 + 1)
    starts = pl.DataFrame({"week_start": [first + timedelta(weeks=number) for number in range(length)]})
    names = sorted(visits["site"].unique())
    hours = [capacity_hours(site, rules) for site in names]
    sites = pl.DataFrame(
        {"site": names, "capacity_hours": hours}, schema={"site": pl.String, "capacity_hours": pl.Float64}
    )
    planned = (
        visits.filter("placed")
        .group_by("site", "week_start")
        .agg(hours=pl.col("hours").sum(), vehicles=pl.col("vehicle_id").n_unique())
    )
    return (
        sites.join(starts, how="cross")
        .join(planned, on=["site", "week_start"], how="left")
        .with_columns(pl.col("hours").fill_null(0.0), pl.col("vehicles").fill_null(0))
        .sort("site", "week_start")
    )


def _headlines(snapshot: Snapshot, visits: pl.DataFrame, weeks: pl.DataFrame) -> list[tuple[str, str, str]]:
    """The figures a manager asks for first: value, what it is, what to know about it."""
    placed = visits.filter("placed")
    hours, capacity = placed["hours"].sum(), weeks["capacity_hours"].sum()
    waiting = visits.filter(~pl.col("placed"))
    rules, currency = snapshot.settings.plan, snapshot.settings.fleet.currency
    overdue = visits.filter(pl.col("due_by") < snapshot.as_of).height
    return [
        (whole(placed["vehicle_id"].n_unique()), "vehicles planned", f"over {counted(_week_count(weeks), 'week')}"),
        (f"{decimal(hours)} h", "bay hours", f"of {decimal(capacity)} to spare"),
        (decimal(placed["days_off_road"].sum()), "days off the road", "expected, all vehicles together"),
        (
            f"{whole(hours * rules.hour_cost)} {currency}",
            "workshop time",
            f"at {whole(rules.hour_cost)} {currency} an hour, parts apart",
        ),
        (whole(overdue), "covers overdue", f"due before {day_words(snapshot.as_of)}"),
        (whole(waiting.height), "covers without a place", f"of {whole(visits.height)} due"),
    ]


def _week_count(weeks: pl.DataFrame) -> int:
    return weeks["week_start"].n_unique()


def _urgent_table(snapshot: Snapshot) -> Table:
    """Covers with a smell or drops: looked at before the vehicle is driven again."""
    flags = snapshot.select("select_urgent_flags")
    rows = tuple(
        Row(
            (
                vehicle_cell(flag["vehicle_id"], snapshot.told_vehicles),
                COVER_WORDS[flag["cover_position"]],
                flag["site"],
                _brief(flag["reasons"], planned=flag["reason"] or ""),
                day_words(flag["due_by"]),
                f"week of {day_words(flag['week_start'])}" if flag["placed"] else "no place yet",
            ),
            is_marked=True,
        )
        for flag in flags.head(MAX_URGENT).iter_rows(named=True)
    )
    return Table(
        "Covers with a burning-oil smell, or drops",
        columns("Vehicle", "Cover", "Site", "Why", "Due by", "Planned", codes=("Vehicle",)),
        rows,
        empty="No cover is known to smell of burning oil or to drop oil.",
        row_count=flags.height,
        csv="flags",
    )


def _bays(weeks: pl.DataFrame, visits: pl.DataFrame) -> list[SiteBays]:
    """One figure for all sites together and one for each."""
    if weeks.is_empty():
        return []
    sites = weeks["site"].unique(maintain_order=True).to_list()[:MAX_SITES]
    return [_site_bays(site, weeks, visits) for site in ("", *sites)]


def _site_bays(site: str, weeks: pl.DataFrame, visits: pl.DataFrame) -> SiteBays:
    of_site = weeks.filter(pl.col("site") == site) if site else weeks
    summed = of_site.group_by("week_start").agg(pl.sum("hours", "vehicles", "capacity_hours"))
    waiting = visits.filter(~pl.col("placed") & (pl.lit(not site) | (pl.col("site") == site))).height
    figure = bay_hours(
        summed,
        title=f"Bay hours planned each week, {site_words(site)}",
        line="Bars: hours the planned looks and repairs are expected to take. Dashed line: hours the bays can spare.",
    )
    return SiteBays(site, drawing(figure, says=week_against_capacity(summed, waiting=waiting)))


def _site_totals(snapshot: Snapshot, visits: pl.DataFrame, weeks: pl.DataFrame) -> Table:
    """What each site is asked for over the whole plan."""
    currency, hour_cost = snapshot.settings.fleet.currency, snapshot.settings.plan.hour_cost
    numbers = (
        "Covers planned", "Hours", "Hours to spare", f"Workshop time, {currency}", "Days off the road",
        f"Leak cost avoided, {currency}", "No place", f"Cost of waiting, {currency}",
    )  # fmt: skip
    return Table(
        "The whole plan, by site",
        columns("Site", *numbers, numbers=numbers),
        tuple(_site_row(site, hour_cost) for site in _summed_by_site(visits, weeks).iter_rows(named=True)),
        empty="Nothing is planned.",
    )


def _summed_by_site(visits: pl.DataFrame, weeks: pl.DataFrame) -> pl.DataFrame:
    """What is planned and what waits at each site, a row a site."""
    is_placed = pl.col("placed")
    return (
        visits.group_by("site")
        .agg(
            covers=is_placed.sum(),
            hours=pl.col("hours").filter(is_placed).sum(),
            days_off_road=pl.col("days_off_road").filter(is_placed).sum(),
            avoided=pl.col("loss_avoided").filter(is_placed).sum(),
            waiting=(~is_placed).sum(),
            waiting_cost=pl.col("loss_avoided").filter(~is_placed).sum(),
        )
        .join(weeks.group_by("site").agg(pl.sum("capacity_hours")), on="site", how="left")
        .sort("site")
    )


def _site_row(site: dict[str, Any], hour_cost: float) -> Row:
    """One site's totals in words."""
    return Row(
        (
            site["site"],
            whole(site["covers"]),
            decimal(site["hours"]),
            decimal(site["capacity_hours"]),
            whole(site["hours"] * hour_cost),
            decimal(site["days_off_road"]),
            whole(site["avoided"]),
            whole(site["waiting"]),
            whole(site["waiting_cost"]),
        ),
        keys={"site": site["site"]},
    )


def _week_by_site(weeks: pl.DataFrame) -> Table:
    """Hours planned against hours to spare, a row a site, a column a week."""
    starts = weeks["week_start"].unique(maintain_order=True).to_list()
    headings = [day_words(start) for start in starts]
    rows = tuple(
        Row(
            (
                str(site),
                *(
                    f"{decimal(week['hours'])} of {decimal(week['capacity_hours'], 0)}"
                    for week in of_site.iter_rows(named=True)
                ),
            ),
            keys={"site": str(site)},
        )
        for (site,), of_site in weeks.group_by("site", maintain_order=True)
    )
    return Table(
        "Bay hours planned of those to spare, by week starting", columns("Site", *headings, numbers=headings), rows
    )


def _visits_by_week(placed: pl.DataFrame, weeks: pl.DataFrame, *, told: frozenset[str]) -> list[WeekVisits]:
    """The planned visits, week by week and there site by site."""
    return [
        WeekVisits(
            week_start=str(start),
            heading=f"Week of {day_words(start)}",
            load=_load(weeks.filter(week_start=start)),
            sites=tuple(
                SiteVisits(
                    site=str(site),
                    heading=f"{site}, {_load(weeks.filter(week_start=start, site=site))}",
                    rows=tuple(_visit_row(visit, told) for visit in of_site.iter_rows(named=True)),
                )
                for (site,), of_site in visits.group_by("site", maintain_order=True)
            ),
        )
        for (start,), visits in placed.group_by("week_start", maintain_order=True)
    ]


def _load(weeks: pl.DataFrame) -> str:
    """Hours and vehicles of one week, at one site or at all."""
    hours, capacity, vehicles = weeks.select(pl.sum("hours", "capacity_hours", "vehicles")).row(0)
    return f"{decimal(hours)} of {decimal(capacity)} h: {counted(vehicles, 'vehicle')}"


def _visit_row(visit: dict[str, Any], told: frozenset[str]) -> Row:
    """One planned visit in words."""
    return Row(
        (
            vehicle_cell(visit["vehicle_id"], told),
            COVER_WORDS[visit["cover_position"]],
            _brief(visit["reasons"] or NOTHING, planned=visit["reason"]),
            percent(visit["probability"]),
            decimal(visit["hours"]),
            _parts_words(visit["parts"]),
            f"{decimal(visit['days_off_road'])} d",
            day_words(visit["due_by"]),
        ),
        is_marked=URGENT in (visit["rules"] or []),
    )


def _brief(reasons: str, *, planned: str = "") -> Brief:
    """The first reason, which is the most urgent; behind it the others, and why the visit is in its week."""
    first, stop, others = reasons.partition(". ")
    return Brief(first + stop.strip(), " ".join(words for words in (others, sentence_start(planned)) if words))


def _parts_words(parts: str) -> str:
    """One part a line."""
    return "\n".join(part.strip() for part in parts.split(";") if part.strip()) or "none"


def _waiting_table(visits: pl.DataFrame, currency: str, *, told: frozenset[str]) -> Table:
    """What does not fit, the dearest to leave first."""
    waiting = visits.filter(~pl.col("placed")).sort(["loss_avoided", "vehicle_id"], descending=[True, False])
    cost = f"Cost of waiting, {currency}"
    headings = ("Vehicle", "Cover", "Site", "Why", "Why it does not fit", "Hours", "Due by", cost)
    return Table(
        "Covers that found no place",
        columns(*headings, numbers=("Hours", cost), codes=("Vehicle",)),
        tuple(_waiting_row(visit, told) for visit in waiting.head(MAX_WAITING).iter_rows(named=True)),
        empty="Everything that is due finds a place.",
        row_count=waiting.height,
        csv="plan",
    )


def _waiting_row(visit: dict[str, Any], told: frozenset[str]) -> Row:
    """One visit without a place in words."""
    return Row(
        (
            vehicle_cell(visit["vehicle_id"], told),
            COVER_WORDS[visit["cover_position"]],
            visit["site"],
            _brief(visit["reasons"] or NOTHING),
            visit["reason"],
            decimal(visit["hours"]),
            day_words(visit["due_by"]),
            whole(visit["loss_avoided"]),
        ),
        keys={"site": visit["site"]},
        is_marked=URGENT in (visit["rules"] or []),
    )


def _out_of_sight_table(snapshot: Snapshot) -> Table:
    """Covers last seen wet on vehicles that nobody wrote about since."""
    leaks = snapshot.table("leaks_out_of_sight").sort(
        "is_urgent", "wet_on", "vehicle_id", "cover_position", descending=[True, True, False, False]
    )
    rows = tuple(
        Row(
            (
                vehicle_cell(leak["vehicle_id"], snapshot.told_vehicles),
                COVER_WORDS[leak["cover_position"]],
                leak["site"],
                day_words(leak["last_record_on"]),
                day_words(leak["wet_on"]),
                leak["reasons"],
            ),
            keys={"site": leak["site"]},
            is_marked=leak["is_urgent"],
        )
        for leak in leaks.head(MAX_LOST).iter_rows(named=True)
    )
    return Table(
        "Covers last seen wet, and no record of the vehicle since",
        columns("Vehicle", "Cover", "Site", "Last record", "Last wet look", "What to do", codes=("Vehicle",)),
        rows,
        empty="No vehicle with a leaking cover has gone without a record for so long.",
        row_count=leaks.height,
        csv="leaks_out_of_sight",
    )


def _pick_list(snapshot: Snapshot) -> Table:
    """Parts to have on the shelf before a week starts."""
    parts = snapshot.table("parts").sort("week_start", "site", "part")
    rows = tuple(
        Row(
            (part["part"], part["description"], whole(part["quantity"]), part["site"], day_words(part["week_start"])),
            keys={"site": part["site"], "week": str(part["week_start"])},
        )
        for part in parts.head(MAX_PARTS).iter_rows(named=True)
    )
    return Table(
        "Parts to have on the shelf",
        columns("Part", "What it is", "Pieces", "Site", "Week starting", numbers=("Pieces",), codes=("Part",)),
        rows,
        empty="No parts are needed for what is planned.",
        row_count=parts.height,
        csv="parts",
    )
