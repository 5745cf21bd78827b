"""Episodes of a bucket of vehicles: frames in, frame out."""

from collections.abc import Iterator
from datetime import date
from itertools import zip_longest
from typing import Any

import polars as pl

from models.episodes.distances import hours_to_end, km_to_end
from models.episodes.endings import Outcome, outcome_of
from models.episodes.facts import Cover, Vehicle, covers_of
from models.episodes.gather import gather, looks_until, periods_until, vehicles_until, works_until
from models.episodes.story import cause_of, sentence
from models.episodes.visits import Visit, visits_to
from models.settings import EpisodeRules
from models.tables import conform
from models.tables.ledger import Episodes


def last_records(
    work_orders: pl.DataFrame,
    oil_top_ups: pl.DataFrame,
    inspection_notes: pl.DataFrame,
    odometer_readings: pl.DataFrame,
    *,
    as_of: date,
) -> pl.DataFrame:
    """Find each vehicle's last record of any kind up to a day: watching ends there, not at the extract's date.

    Returns:
        `LastRecords`, sorted by vehicle; beside the last record the day of the first, from which it was watched.
    """
    kinds = (
        (work_orders, "opened"),
        (work_orders, "completed"),
        (oil_top_ups, "topped_up"),
        (inspection_notes, "noted"),
        (odometer_readings, "read"),
    )
    moments = pl.concat(
        frame.select("vehicle_id", last_at=pl.col(f"{moment}_at"), last_on=pl.col(f"{moment}_on"))
        for frame, moment in kinds
    )
    return (
        moments.drop_nulls()
        .filter(pl.col("last_on") <= as_of)
        .group_by("vehicle_id")
        .agg(
            pl.col("last_on").min().alias("first_on"), pl.col("last_at", "last_on").sort_by("last_on", "last_at").last()
        )
        .sort("vehicle_id")
    )


def episodes(
    cover_work: pl.DataFrame,
    work_orders: pl.DataFrame,
    evidence: pl.DataFrame,
    *,
    vehicles: pl.DataFrame,
    periods: pl.DataFrame,
    families: pl.DataFrame,
    curve: pl.DataFrame,
    hours_curve: pl.DataFrame,
    last_seen: pl.DataFrame,
    repair_records: pl.DataFrame,
    rules: EpisodeRules,
    as_of: date,
) -> pl.DataFrame:
    """Open an episode for each repair of a cover and find what ended it.

    Records dated after `as_of` are not read; an order still open then counts from its opening.

    Args:
        cover_work: `CoverWork`.
        work_orders: `WorkOrders`.
        evidence: `Evidence`.
        vehicles: `Vehicles`.
        periods: From `models.engines.engine_periods`.
        families: `EngineFamilies`.
        curve: `OdometerCurve`.
        hours_curve: `EngineHoursCurve`.
        last_seen: From `last_records` with the same `as_of`.
        repair_records: `RepairRecords`; a card can add new bolts and never raises the method.
        rules: Windows and limits.
        as_of: Day up to which records are read.

    Returns:
        `Episodes`, sorted by vehicle, time zero and episode.
    """
    known_curve = curve.filter(pl.col("read_on") <= as_of)
    works = works_until(as_of, cover_work, work_orders, repair_records, known_curve)
    looks = looks_until(as_of, evidence, works, known_curve)
    seen = vehicles_until(as_of, vehicles, last_seen, works)
    engines = periods_until(as_of, periods, families, seen)
    rows = [row for vehicle in gather(seen, engines, works, looks) for row in _rows(vehicle, rules)]
    if not rows:
        return conform(Episodes.create_empty(), Episodes)
    known_hours = hours_curve.filter(pl.col("read_on") <= as_of)
    return _measure(pl.DataFrame(rows, infer_schema_length=None), known_curve, known_hours, rules)


def _rows(vehicle: Vehicle, rules: EpisodeRules) -> Iterator[dict[str, Any]]:
    """Make the episodes of one vehicle, without what needs the curve at their ends."""
    for cover in covers_of(vehicle):
        visits = visits_to(cover, rules=rules)
        for visit, following in zip_longest(visits, visits[1:]):
            if visit.is_opening:
                yield _row(cover, visit, outcome_of(cover, visit, following, rules=rules))


def _row(cover: Cover, visit: Visit, outcome: Outcome) -> dict[str, Any]:
    """Lay an episode out in columns."""
    ending, first = outcome.ending, visit.first
    return {
        "episode_id": f"{first.order_id}:{cover.position}",
        "vehicle_id": cover.vehicle.vehicle_id,
        "engine_id": cover.period.engine_id,
        "engine_family": cover.period.engine_family,
        "cover_position": cover.position,
        "site": first.site,
        "order_id": first.order_id,
        "technician": first.technician,
        "repair_method": visit.repair_method,
        "occasion": visit.occasion,
        "has_new_bolts": any(work.has_new_bolts for work in visit.works),
        "is_ventilation_serviced": any(work.is_ventilation_serviced for work in visit.works),
        "is_faces_machined": any(work.is_faces_machined for work in visit.works),
        "repaired_at": visit.done_at,
        "repaired_on": visit.done_on,
        "odometer_km": visit.first_done.done_km,
        "odometer_error_km": visit.first_done.done_error_km,
        "status": ending.status,
        "end_reason": ending.reason,
        "ended_at": ending.at,
        "ended_on": ending.on,
        "days": float((ending.on - visit.done_on).days),
        "last_dry_at": outcome.last_dry.at if outcome.last_dry else visit.done_at,
        "first_wet_at": ending.at if ending.status == "re-leak" else None,
        "is_suspect": outcome.hint is not None,
        "evidence_ids": list(outcome.evidence_ids),
        "cause": cause_of(outcome),
    }


def _measure(rows: pl.DataFrame, curve: pl.DataFrame, hours_curve: pl.DataFrame, rules: EpisodeRules) -> pl.DataFrame:
    """Add kilometres, engine hours, comebacks and the sentence, and give the frame its declared shape."""
    is_soon = (pl.col("days") <= rules.comeback_days) & (pl.col("km") <= rules.comeback_km).fill_null(True)
    measured = rows.with_columns(km_to_end(rows, curve), *hours_to_end(rows, hours_curve)).with_columns(
        comeback=(pl.col("status") == "re-leak") & is_soon
    )
    told = [sentence(*row) for row in measured.select("status", "days", "km", "cause").iter_rows()]
    return (
        measured.with_columns(story=pl.Series(told, dtype=pl.String))
        .sort("vehicle_id", "repaired_at", "episode_id")
        .pipe(conform, Episodes)
    )
