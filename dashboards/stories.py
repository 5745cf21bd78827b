"""A vehicle's story: what was done to its covers, what people wrote, how much oil it took, how each repair ended."""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from hashlib import sha256
from itertools import chain
from typing import Any

import polars as pl
from rapidfuzz import process

from dashboards.marking import CLOSES, OPENS, Piece, marked_pieces, marked_text
from dashboards.snapshot import Snapshot
from dashboards.standings import Standing, standings, times_words
from dashboards.tabulating import Link
from dashboards.wording import (
    COVER_WORDS,
    NOTHING,
    OCCASION_WORDS,
    counted,
    day_words,
    decimal,
    listed,
    method_words,
    whole,
)
from models.errors import UsageError

ORDER = {
    "vehicles": ("vehicle_id",),
    "engine_periods": ("from_on", "engine_id"),
    "work_orders": ("opened_at", "order_id"),
    "cover_work": ("order_id", "cover_position"),
    "inspection_notes": ("noted_at", "note_id"),
    "oil_top_ups": ("topped_up_at", "top_up_id"),
    "oil_segments": ("started_on", "top_up_id"),
    "oil_ratios": ("episode_id",),
    "evidence": ("span_start", "evidence_id"),
    "episodes": ("repaired_at", "episode_id"),
    "last_records": ("vehicle_id",),
    "odometer_curve": ("read_at", "origin_kind", "origin_id"),
}
"""What a story is told from, besides how the vehicle stands today, and in which order."""
TOLD_RATIO = ("ratio", "low", "high")
TOLD_PLACES = 2
"""A ratio of oil rates is told to hundredths: finer, it moves with what every other vehicle of the fleet is put in."""
WORK_WORDS = {"cover_off": "Cover off for other work", "engine_out": "Engine out", "none": "Order without cover work"}
SUGGESTED = 3
"""Vehicles named where the one asked for is not known."""


Rows = list[dict[str, Any]]
Records = dict[str, Rows]
"""Table to the rows of one vehicle, in `ORDER`."""
Readings = dict[tuple[str, str], dict[str, Any]]
"""Kind and number of a record to its row of the odometer curve."""


@dataclass(frozen=True)
class Text:
    """Words of a record, with those that were read marked."""

    label: str
    pieces: tuple[Piece, ...]


@dataclass(frozen=True)
class Event:
    """Something that happened to a vehicle on a day.

    Args:
        on: The local day.
        what: `repair`, `order`, `note`, `top-up`, `end` or `engine`.
        heading: In a few words.
        km: Distance on the odometer curve, where the record's reading is part of it.
        texts: What people wrote.
        says: What follows from it, in sentences.
    """

    on: date
    what: str
    heading: str
    km: float | None = None
    texts: tuple[Text, ...] = ()
    says: tuple[str, ...] = ()


@dataclass(frozen=True)
class Story:
    """Everything there is to tell about one vehicle.

    Args:
        vehicle_id: The vehicle.
        facts: What it is, name and value.
        standing: How it stands today.
        events: In the order of days.
        records: Its rows of the published tables, by table.
    """

    vehicle_id: str
    facts: tuple[tuple[str, str], ...]
    standing: Standing
    events: tuple[Event, ...]
    records: Records


def story_of(snapshot: Snapshot, vehicle_id: str) -> Story:
    """Tell the story of one vehicle.

    Raises:
        UsageError: No such vehicle is in the snapshot.
    """
    found = list(stories(snapshot, [vehicle_id]))
    if not found:
        known = snapshot.table("vehicles")["vehicle_id"].to_list()
        near = [match for match, _, _ in process.extract(vehicle_id, known, limit=SUGGESTED)]
        raise UsageError(f"There is no vehicle {vehicle_id!r} in the snapshot. Is it {listed(near) or 'in the inbox'}?")
    return found[0]


def stories(snapshot: Snapshot, vehicles: Sequence[str]) -> Iterator[Story]:
    """Tell the stories of some vehicles, those that the snapshot knows, in the order of their names."""
    records, today = story_records(snapshot, vehicles), standings(snapshot, vehicles)
    known = records["vehicles"]["vehicle_id"].sort()
    own: dict[str, Records] = {vehicle: {name: [] for name in ORDER} for vehicle in known}
    for name, rows in records.items():
        for row in rows.sort(ORDER[name]).iter_rows(named=True):
            if row["vehicle_id"] in own:
                own[row["vehicle_id"]][name].append(row)
    for vehicle, rows_of_vehicle in own.items():
        yield _story(rows_of_vehicle, today[vehicle])


def story_records(snapshot: Snapshot, vehicles: Sequence[str]) -> dict[str, pl.DataFrame]:
    """Read the rows that the stories of some vehicles are told from, in no order, each table's figures as told."""
    records = {name: snapshot.table(name, vehicles=vehicles) for name in ORDER}
    return records | {"oil_ratios": records["oil_ratios"].with_columns(pl.col(*TOLD_RATIO).round(TOLD_PLACES))}


def page_of(vehicle_id: str) -> str:
    """Return the file name of a vehicle's page; a name that no file may have is told apart by a digest."""
    plain = re.sub(r"[^A-Za-z0-9-]", "_", vehicle_id)[:60]
    told_apart = "" if plain == vehicle_id else f"-{sha256(vehicle_id.encode()).hexdigest()[:8]}"
    return f"vehicle-{plain}{told_apart}.html"


def vehicle_cell(vehicle_id: str, told: frozenset[str]) -> Link:
    """Name a vehicle in a table, with the way to its page if it has one."""
    return Link(vehicle_id, page_of(vehicle_id) if vehicle_id in told else "")


def _story(records: Records, standing: Standing) -> Story:
    """Tell the story of the one vehicle whose rows these are."""
    readings = {(reading["origin_kind"], reading["origin_id"]): reading for reading in records["odometer_curve"]}
    told = [tell(records, readings) for tell in (_orders, _notes, _top_ups)]
    events = [*chain.from_iterable(told), *_ends(records), *_engines(records)]
    return Story(
        vehicle_id=records["vehicles"][0]["vehicle_id"],
        facts=tuple(_facts(records)),
        standing=standing,
        events=tuple(sorted(events, key=lambda event: event.on)),
        records=records,
    )


def _facts(records: Records) -> Iterator[tuple[str, str]]:
    """What the vehicle is, and how much was written about it."""
    vehicle = records["vehicles"][0]
    yield "Site", vehicle["site"]
    yield "Engine family", vehicle["engine_family"]
    yield "In service since", day_words(vehicle["in_service_on"])
    if vehicle["out_of_service_on"]:
        yield "Out of service on", day_words(vehicle["out_of_service_on"])
    if records["last_records"]:
        yield "Last record", day_words(records["last_records"][0]["last_on"])
    written = (("work_orders", "order"), ("inspection_notes", "note"), ("oil_top_ups", "top-up"))
    yield "Records", listed(counted(len(records[name]), noun) for name, noun in written)
    yield "Cover repairs", f"{whole(len(records['episodes']))}, {whole(releaks(records['episodes']))} leaked again"


def releaks(episodes: Rows) -> int:
    """Count the repairs that leaked again."""
    return sum(episode["status"] == "re-leak" for episode in episodes)


def _orders(records: Records, readings: Readings) -> Iterator[Event]:
    """Orders that touched a cover, or say something about a leak."""
    work: dict[str, Rows] = {}
    for row in records["cover_work"]:
        work.setdefault(row["order_id"], []).append(row)
    read = _by_origin(records["evidence"], "work_orders")
    for order in records["work_orders"]:
        done = [row for row in work.get(order["order_id"], ()) if row["work"] != "none"]
        if not done and order["order_id"] not in read:
            continue
        on = done[0]["done_on"] if done else order["opened_on"]
        texts = [
            Text(label, _marked(order[field], field, read.get(order["order_id"], ())))
            for field, label in (("complaint", "reported"), ("work_done", "done"))
        ]
        is_repair = any(row["work"] == "repair" for row in done)
        km, aside = _reading(readings, "work_orders", order["order_id"])
        yield Event(
            on=on,
            what="repair" if is_repair else "order",
            heading=f"{'; '.join(map(_work_words, done)) or WORK_WORDS['none']} (order {order['order_id']})",
            km=km,
            texts=tuple(text for text in texts if text.pieces),
            says=(*(f"Decided by: {row['deciding_words']}." for row in done if row["deciding_words"]), *aside),
        )


def _work_words(row: dict[str, Any]) -> str:
    """What an order did to one cover."""
    cover = COVER_WORDS[row["cover_position"]]
    if row["work"] != "repair":
        return f"{WORK_WORDS[row['work']]}, {cover}"
    return f"Cover repaired, {cover}: {method_words(row['repair_method'])}, {OCCASION_WORDS[row['occasion']]}"


def _notes(records: Records, readings: Readings) -> Iterator[Event]:
    """Notes in which words were read as a statement about a leak."""
    read = _by_origin(records["evidence"], "inspection_notes")
    for note in records["inspection_notes"]:
        pieces = _marked(note["text"], "text", read.get(note["note_id"], ()))
        if any(piece.polarity for piece in pieces):
            filled_in = f", leak class {note['leak_class']} filled in" if note["leak_class"] else ""
            km, aside = _reading(readings, "inspection_notes", note["note_id"])
            yield Event(note["noted_on"], "note", f"Note{filled_in}", km, (Text("noted", pieces),), aside)


def _by_origin(evidence: Rows, kind: str) -> dict[str, Rows]:
    """Statements by the record they were read from."""
    found: dict[str, Rows] = {}
    for statement in evidence:
        if statement["origin_kind"] == kind:
            found.setdefault(statement["origin_id"], []).append(statement)
    return found


def _marked(words: str | None, field: str, statements: Sequence[dict[str, Any]]) -> tuple[Piece, ...]:
    """One column of a record with the words marked that were read in it."""
    return marked_pieces(words or "", [each for each in statements if each["origin_field"] == field])


def _top_ups(records: Records, readings: Readings) -> Iterator[Event]:
    """Top-ups with the rate since the fill before, where it is known."""
    rates = {segment["top_up_id"]: segment["litres_per_1000km"] for segment in records["oil_segments"]}
    for row in records["oil_top_ups"]:
        rate = rates.get(row["top_up_id"])
        since = f"{decimal(rate, 2)} L/1,000 km since the fill before" if rate is not None else ""
        heading = f"{decimal(row['volume_litres'])} L of oil put in" + (f" ({row['reason']})" if row["reason"] else "")
        km, aside = _reading(readings, "oil_top_ups", row["top_up_id"])
        yield Event(row["topped_up_on"], "top-up", heading, km, says=(*([since] if since else ()), *aside))


def _reading(readings: Readings, kind: str, record_id: str) -> tuple[float | None, tuple[str, ...]]:
    """A record's place on the odometer curve, or in a sentence why its reading was set aside."""
    reading = readings.get((kind, record_id))
    if reading is None:
        return None, ()
    if reading["is_used"]:
        return reading["distance_km"], ()
    return None, (f"Its odometer, {whole(reading['odometer_km'])} km, was set aside: {reading['use']}.",)


def _ends(records: Records) -> Iterator[Event]:
    """How each repair's watch ended, in the ledger's own sentence."""
    ratios = _oil_words(records["oil_ratios"])
    for episode in records["episodes"]:
        heading = {"re-leak": "Leaked again", "competing": "Watching ended", "censored": "Watched until here"}
        looks = (
            f"From {counted(len(episode['evidence_ids']), 'statement')}; repair of {day_words(episode['repaired_on'])}"
        )
        ended = (
            f"{heading[episode['status']]}, {COVER_WORDS[episode['cover_position']]} cover ({episode['end_reason']})"
        )
        says = (episode["story"], f"{looks}, order {episode['order_id']}.", *ratios.get(episode["episode_id"], ()))
        yield Event(episode["ended_on"], "end", ended, says=says)


def _oil_words(ratios: Rows) -> dict[str, tuple[str, ...]]:
    """What is put in after each repair against before it, in a sentence, where enough was put in to say."""
    return {
        row["episode_id"]: (f"Oil put in after the repair: {times_words(row)} the rate before it.",)
        for row in ratios
        if row["ratio"] is not None
    }


def _engines(records: Records) -> Iterator[Event]:
    """Engines that came and went after the first."""
    for period in records["engine_periods"][1:]:
        yield Event(period["from_on"], "engine", f"Engine {period['engine_id']} ({period['engine_family']}) fitted")


def as_text(story: Story) -> Iterator[str]:
    """Write a story in lines of text; words that were read stand between « and », with what they were read as."""
    yield f"Vehicle {story.vehicle_id}"
    yield from (f"  {name}: {value}" for name, value in (*story.facts, *story.standing.facts))
    yield from (f"  {'Urgent' if flag.is_urgent else 'Due'}: {flag.says}" for flag in story.standing.flags)
    yield ""
    for event in story.events:
        km = f"{whole(event.km)} km" if event.km is not None else NOTHING
        yield f"{event.on:%Y-%m-%d}  {km:>11}  {event.heading}"
        for text in event.texts:
            words = marked_text(text.pieces)
            yield f"    {text.label}: {' '.join(words.split())}"
            yield from (f"      {OPENS}{piece.text}{CLOSES} {piece.meaning}" for piece in text.pieces if piece.polarity)
        yield from (f"    {said}" for said in event.says)
