"""Frames of a bucket of vehicles, as known on a day, to what is known of each vehicle."""

from collections.abc import Iterator
from dataclasses import fields
from datetime import date
from itertools import groupby
from operator import itemgetter
from typing import Any

import polars as pl

from models.episodes.facts import Look, Period, Vehicle, Work
from models.odometer import distance_at
from models.tables.records import SINGLE_COVER

WORKSHOP_STAY_DAYS = 2
"""A vehicle is not driven while it stands in the workshop: an order completed this soon ends at the kilometres it was
opened at. A longer one was left open while the vehicle went on working."""
_CARD_BOLTS = "is_bolts_renewed_on_card"


def works_until(
    as_of: date, cover_work: pl.DataFrame, work_orders: pl.DataFrame, repair_records: pl.DataFrame, curve: pl.DataFrame
) -> pl.DataFrame:
    """Put every order that touched a cover beside its dates and distances: the vehicle, then the fields of `Work`."""
    works = (
        cover_work.filter(pl.col("work") != "none")
        .drop("done_on")
        .join(_orders_until(as_of, work_orders), on="order_id", how="inner")
        .pipe(_with_cards, repair_records)
        .pipe(_with_occasions)
        .sort("vehicle_id", "opened_on", "opened_at", "done_at", "order_id", "cover_position")
    )
    placed = works.hstack(_distances_of(works, curve)).rename({"cover_position": "position"})
    return placed.select("vehicle_id", *(field.name for field in fields(Work)))


def _orders_until(as_of: date, work_orders: pl.DataFrame) -> pl.DataFrame:
    """Orders opened by a day, done at their completion or, where that is missing or later, at their opening."""
    completed = [pl.when(pl.col("completed_on") <= as_of).then(f"completed_{moment}") for moment in ("on", "at")]
    return work_orders.filter(pl.col("opened_on") <= as_of).select(
        "order_id",
        "site",
        "technician",
        "opened_on",
        "opened_at",
        pl.col("complaint").fill_null(""),
        done_on=pl.max_horizontal("opened_on", completed[0]),
        done_at=pl.max_horizontal("opened_at", completed[1]),
    )


def _with_cards(works: pl.DataFrame, repair_records: pl.DataFrame) -> pl.DataFrame:
    """Count bolts as new where only the returned card says so."""
    cards = repair_records.select("order_id", "cover_position", pl.col("bolts_renewed").alias(_CARD_BOLTS))
    return works.join(cards, on=["order_id", "cover_position"], how="left").with_columns(
        pl.col("has_new_bolts") | pl.col(_CARD_BOLTS).fill_null(False)
    )


def _with_occasions(works: pl.DataFrame) -> pl.DataFrame:
    """Give every work a method and an occasion: what is no repair was for other work."""
    is_repair = pl.col("work") == "repair"
    is_leak = pl.when("has_oil_complaint").then(pl.lit("leak")).otherwise(pl.lit("routine"))
    return works.with_columns(
        repair_method=pl.when(is_repair).then("repair_method").fill_null("unstated"),
        occasion=pl.when(is_repair).then(pl.col("occasion").fill_null(is_leak)).otherwise(pl.lit("other_work")),
    )


def _distances_of(works: pl.DataFrame, curve: pl.DataFrame) -> pl.DataFrame:
    """Distance and its error at the opening and at the end of each work."""
    opened = distance_at(curve, works.select("vehicle_id", at="opened_at"))
    done = distance_at(curve, works.select("vehicle_id", at="done_at"))
    is_stay = (works["done_on"] - works["opened_on"]).dt.total_days() <= WORKSHOP_STAY_DAYS
    return pl.DataFrame(
        {
            "opened_km": opened["distance_km"],
            "opened_error_km": opened["error_km"],
            "done_km": opened["distance_km"].zip_with(is_stay, done["distance_km"]),
            "done_error_km": opened["error_km"].zip_with(is_stay, done["error_km"]),
        }
    )


def looks_until(as_of: date, evidence: pl.DataFrame, works: pl.DataFrame, curve: pl.DataFrame) -> pl.DataFrame:
    """Evidence about vehicles whose covers were worked on, with distances, in order of time."""
    looks = (
        evidence.filter(pl.col("noted_on") <= as_of)
        .join(works.select("vehicle_id").unique(), on="vehicle_id", how="semi")
        .sort("vehicle_id", "noted_on", "noted_at", "evidence_id")
    )
    place = distance_at(curve, looks.select("vehicle_id", at="noted_at"))
    return looks.select(
        "vehicle_id",
        "noted_on",
        "noted_at",
        "evidence_id",
        "origin_kind",
        "origin_id",
        "origin_field",
        "component",
        "polarity",
        "cover_position",
        "symptoms",
        "span_text",
        km=place["distance_km"],
        error_km=place["error_km"],
    )


def vehicles_until(as_of: date, vehicles: pl.DataFrame, last_seen: pl.DataFrame, works: pl.DataFrame) -> pl.DataFrame:
    """Vehicles whose covers were worked on, with the end of watching and the end of service known by then."""
    out_of_service = pl.when(pl.col("out_of_service_on") <= as_of).then("out_of_service_on")
    return (
        vehicles.join(works.select("vehicle_id").unique(), on="vehicle_id", how="semi")
        .join(last_seen, on="vehicle_id", how="inner")
        .select("vehicle_id", out_of_service.alias("out_of_service_on"), "last_on", "last_at")
        .sort("vehicle_id")
    )


def periods_until(as_of: date, periods: pl.DataFrame, families: pl.DataFrame, vehicles: pl.DataFrame) -> pl.DataFrame:
    """Engine periods with their covers; an engine that left with its vehicle was not removed."""
    is_known = pl.col("to_on") <= as_of
    left_before = pl.col("out_of_service_on").is_null() | (pl.col("to_on") < pl.col("out_of_service_on"))
    return (
        periods.filter(pl.col("from_on") <= as_of)
        .join(vehicles.select("vehicle_id", "out_of_service_on"), on="vehicle_id", how="inner")
        .join(families.select("engine_family", "cover_positions"), on="engine_family", how="left")
        .sort("vehicle_id", "from_on", "engine_id")
        .with_columns(to_on=pl.when(is_known).then("to_on"))
        .with_columns(removed_on=pl.when(left_before).then("to_on"))
        .select(
            "vehicle_id",
            "engine_id",
            "engine_family",
            "from_on",
            "to_on",
            "removed_on",
            pl.col("cover_positions").fill_null(SINGLE_COVER),
        )
    )


def gather(
    vehicles: pl.DataFrame, periods: pl.DataFrame, works: pl.DataFrame, looks: pl.DataFrame
) -> Iterator[Vehicle]:
    """Bring the rows of each vehicle together."""
    engines, orders, seen = _by_vehicle(periods), _by_vehicle(works), _by_vehicle(looks)
    for vehicle_id, out_of_service_on, last_on, last_at in vehicles.iter_rows():
        if vehicle_id not in engines:
            continue
        yield Vehicle(
            vehicle_id=vehicle_id,
            periods=tuple(_period(row) for row in engines[vehicle_id]),
            works=tuple(Work(*row) for row in orders[vehicle_id]),
            looks=tuple(_look(row) for row in seen.get(vehicle_id, [])),
            out_of_service_on=out_of_service_on,
            last_on=last_on,
            last_at=last_at,
        )


def _by_vehicle(frame: pl.DataFrame) -> dict[str, list[tuple[Any, ...]]]:
    """Rows of a frame sorted by vehicle, without the vehicle, by vehicle."""
    return {vehicle_id: [row[1:] for row in rows] for vehicle_id, rows in groupby(frame.iter_rows(), itemgetter(0))}


def _period(row: tuple[Any, ...]) -> Period:
    """Make a period of an engine's row."""
    engine_id, engine_family, from_on, to_on, removed_on, cover_positions = row
    return Period(engine_id, engine_family, from_on, to_on, removed_on, tuple(cover_positions.split(";")))


def _look(row: tuple[Any, ...]) -> Look:
    """Make a look of an evidence row."""
    on, at, evidence_id, origin_kind, origin_id, origin_field, component, polarity, position, symptoms, *place = row
    named = frozenset(symptom.strip() for symptom in symptoms.split(";") if symptom.strip())
    origin = (origin_kind, origin_id, origin_field)
    return Look(on, at, (evidence_id,), *origin, component, polarity, position, named, *place)
