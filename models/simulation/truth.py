"""What really happened, as rows of the truth files."""

from datetime import date
from typing import Any

from models.simulation.fleet import Calendar, Vehicle
from models.simulation.outcomes import Episode, episodes_of
from models.simulation.records import Lived
from models.simulation.world import REFITTED, SITES

_DESCRIPTIONS: dict[str, tuple[str, dict[str, str]]] = {
    "episodes": (
        "A repair of one cover whose order the extract shows as done, by the definitions of the published `episodes`, "
        "derived from the simulated events and not from words. The latent columns look past the extract.",
        {
            "vehicle_id": "vehicle",
            "engine_id": "engine in the vehicle that day",
            "engine_family": "engine family",
            "cover_position": "only, left or right",
            "site": "where the repair was done, by its present name",
            "order_id": "order as exported",
            "repair_method": "as the order's words and parts say; unstated where they do not",
            "occasion": "leak, routine or other_work",
            "repaired_on": "time zero: completion, or opening where no completion was written",
            "repaired_km": "true distance that day",
            "status": "re-leak, competing or censored, as the records up to the extract show",
            "end_reason": "why it ended, in the words of the published table",
            "ended_on": "when; censored at the vehicle's last valid record",
            "days": "repaired_on to ended_on",
            "true_method": "what was really done; `refitted` is the old gasket put back",
            "leak_started_on": "latent: first day the joint leaks, or would if nothing else ended the episode first; "
            "empty where that lies beyond the simulated future",
            "leak_days": "latent: repaired_on to leak_started_on",
            "leak_km": "latent: distance to the leak",
            "detected_on": "latent: first written finding, even after the extract; empty if a competing end is earlier",
            "detected_days": "latent: repaired_on to detected_on",
            "competing_on": "latent: competing end before any finding; empty if none in the simulated future",
            "competing_days": "latent: repaired_on to competing_on",
            "competing_reason": "latent: which",
            "hazard_multiplier": "family x site x skipped steps x the vehicle's frailty, on both clocks",
            "skipped_steps": "job steps skipped, ';' between them",
        },
    ),
    "statements": (
        "What each written text states about leaks. Descriptions of work done are not statements.",
        {
            "origin_kind": "inspection_notes or work_orders",
            "origin_id": "note or order as exported",
            "field": "text, complaint or work_done",
            "component": "cover_gasket, plug_tube_seal, other_oil_leak, other_fluid; none for a symptom alone",
            "polarity": "present, absent, resolved or uncertain",
            "cover_position": "only, left or right; empty where no side is named or it is not about a cover",
            "leak_class": "class that the words say",
            "symptom": "the symptom, where it stands alone",
            "location": "place of another leak, or the other fluid; empty for an engine oil leak without a place",
        },
    ),
    "odometer": (
        "True distance at noon, every 30 days from the start of records to the extract.",
        {"vehicle_id": "vehicle", "date": "day", "km": "kilometres since new, whatever the instrument shows"},
    ),
    "vehicles": (
        "What cannot be seen in the register.",
        {
            "vehicle_id": "vehicle",
            "site": "home site by its present name",
            "engine_family": "engine family",
            "vehicle_class": "class",
            "in_service_on": "first day in service",
            "out_of_service_on": "latent: last day in service, even after the extract",
            "frailty": "the vehicle's own hazard multiplier",
            "km_per_day": "mean distance over the watched days",
            "instrument_replaced_on": "day the odometer was replaced and started from zero",
            "instrument_rolls_over": "whether it passes 1,000,000 km and starts again",
            "last_record_on": "day of the last valid record of any kind",
        },
    ),
    "refused": (
        "Rows that must be refused.",
        {
            "file": "file in the inbox",
            "row_number": "row as a spreadsheet shows it; the line of a JSON Lines file",
            "column": "canonical column at fault; empty where the row as a whole is",
            "why": "what is wrong with it",
        },
    ),
}
COLUMNS: dict[str, tuple[str, ...]] = {name: tuple(columns) for name, (_, columns) in _DESCRIPTIONS.items()}
"""Truth file to its columns."""
_MONTH_DAYS = 30
Row = tuple[Any, ...]


def describe() -> str:
    """Return the truth files' columns as a Markdown page."""
    parts = [
        "# The truth of this simulated fleet",
        "",
        "For checking results against. No run of the pipeline reads it.",
    ]
    for name, (about, columns) in _DESCRIPTIONS.items():
        parts += ["", f"## {name}.csv", "", about, "", "| column | meaning |", "| --- | --- |"]
        parts += [f"| {column} | {meaning} |" for column, meaning in columns.items()]
    return "\n".join(parts) + "\n"


def episode_rows(lived: Lived, days: Calendar) -> list[Row]:
    """Lay out one vehicle's episodes, as recorded and as they would have gone on."""
    episodes = episodes_of(lived.vehicle, lived.history, extract=days.extract, last_record=lived.last_record)
    return [_episode_row(episode, lived.vehicle, days) for episode in episodes]


def _episode_row(episode: Episode, vehicle: Vehicle, days: Calendar) -> Row:
    renewal, end, future = episode.renewal, episode.end, episode.future
    order = renewal.order
    start = order.finished
    method = "unstated" if renewal.method == REFITTED or order.is_vague else renewal.method
    found = future.day if future is not None and future.status == "re-leak" else None
    competing = future.day if future is not None and future.status == "competing" else None
    return (
        vehicle.vehicle_id, renewal.engine_id, vehicle.family.code, renewal.position, SITES[order.site].name,
        order.record_id, method, renewal.occasion, days.on(start), round(vehicle.km_at(start), 1),
        end.status, end.reason, days.on(end.day), end.day - start,
        renewal.method, _on(renewal.leak_day, days), _since(renewal.leak_day, start),
        None if renewal.leak_km is None else round(renewal.leak_km, 1), _on(found, days), _since(found, start),
        _on(competing, days), _since(competing, start), future.reason if future is not None and competing else "",
        round(renewal.hazard, 4), ";".join(renewal.skipped),
    )  # fmt: skip


def vehicle_row(lived: Lived, days: Calendar) -> Row:
    """Lay out one vehicle."""
    vehicle = lived.vehicle
    start = max(0, vehicle.in_service)
    per_day = float(vehicle.km[days.extract] - vehicle.km[start]) / max(1, days.extract - start)
    return (
        vehicle.vehicle_id, SITES[vehicle.site].name, vehicle.family.code, vehicle.vehicle_class,
        days.on(vehicle.in_service), _on(vehicle.sold, days), round(vehicle.frailty, 4), round(per_day, 1),
        _on(vehicle.replaced, days), vehicle.rolls_over, days.on(lived.last_record),
    )  # fmt: skip


def odometer_rows(vehicle: Vehicle, days: Calendar) -> list[Row]:
    """Lay out one vehicle's true distance every 30 days while it served, up to the extract."""
    end = days.extract if vehicle.sold is None else min(days.extract, vehicle.sold)
    months = range(max(0, vehicle.in_service), end + 1, _MONTH_DAYS)
    return [(vehicle.vehicle_id, days.on(day), round(vehicle.km_at(day), 1)) for day in months]


def _on(day: int | None, days: Calendar) -> date | None:
    return None if day is None else days.on(day)


def _since(day: int | None, start: int) -> int | None:
    return None if day is None else day - start
