"""Comebacks: which repairs leaked again inside the window, on what evidence, and what they have in common."""

from dataclasses import dataclass
from typing import Any

import polars as pl

from dashboards.drawing import Drawing, drawing
from dashboards.figures.interval_dots import interval_dots
from dashboards.marking import Piece, marked_pieces
from dashboards.pages.comparing.control_charts import control_charts
from dashboards.saying import stands_apart
from dashboards.snapshot import Snapshot
from dashboards.stories import vehicle_cell
from dashboards.tabulating import Link, Row, Table, columns
from dashboards.wording import (
    COVER_WORDS,
    OCCASION_WORDS,
    TOO_FEW,
    day_words,
    interval_words,
    method_words,
    percent,
    percent_range,
    whole,
)
from models.tables.ledger import REPAIR_METHODS
from models.tables.measures import COMEBACK_ATTRIBUTES

MAX_COMEBACKS = 200
MAX_NOTES = 6
"""Notes a comeback shows, the newest."""
ATTRIBUTE_WORDS = {
    "repair_method": "repair method",
    "engine_family": "engine family",
    "site": "site of the repair",
    "occasion": "occasion",
    "has_new_bolts": "new bolts",
    "is_ventilation_serviced": "ventilation serviced",
}
ORIGIN_WORDS = {"text": "note", "complaint": "complaint on order", "work_done": "work done on order"}


@dataclass(frozen=True)
class Note:
    """A note or complaint, cut where its statements begin and end."""

    noted_on: str
    origin: str
    pieces: tuple[Piece, ...]


@dataclass(frozen=True)
class Comeback:
    """A repair that came back, as the page tells it."""

    keys: dict[str, str]
    vehicle: Link
    heading: str
    story: str
    facts: tuple[tuple[str, str], ...]
    work_done: str
    notes: tuple[Note, ...]
    earlier_notes: int


def contents(snapshot: Snapshot) -> dict[str, Any]:
    """Read the comebacks with their evidence, and what they have in common."""
    rules = snapshot.settings.episodes
    comebacks = _comebacks(snapshot)
    total = snapshot.select("count_headlines", as_of=snapshot.as_of, comeback_days=rules.comeback_days)
    return {
        "comebacks": comebacks,
        "comeback_count": int(total["comebacks"][0]),
        "repair_count": int(total["repairs"][0]),
        "releak_count": int(total["releaks"][0]),
        "options": _options(comebacks),
        **_in_common(snapshot),
        "control_charts": control_charts(snapshot),
        "comeback_days": rules.comeback_days,
        "comeback_km": whole(rules.comeback_km),
        "shows_people": snapshot.settings.fleet.show_technicians,
    }


def _comebacks(snapshot: Snapshot) -> list[Comeback]:
    """The newest comebacks, each with its evidence."""
    repairs = snapshot.select("select_comebacks", limit=MAX_COMEBACKS)
    evidence = snapshot.select("select_comeback_evidence", limit=MAX_COMEBACKS)
    by_episode = {str(episode): rows for (episode,), rows in evidence.group_by("episode_id", maintain_order=True)}
    shows_people = snapshot.settings.fleet.show_technicians
    return [
        _comeback(
            repair,
            by_episode.get(repair["episode_id"]),
            told=snapshot.told_vehicles,
            shows_people=shows_people,
        )
        for repair in repairs.iter_rows(named=True)
    ]


def _in_common(snapshot: Snapshot) -> dict[str, Any]:
    """The share that came back by each attribute, drawn and in a table."""
    shares = snapshot.table("comeback_shares")
    level = interval_words(snapshot.settings.measures.confidence)
    fleet = shares.filter(attribute="")["rate"].to_list() or [None]
    groups = _in_reading_order(shares.filter(pl.col("attribute") != ""))
    return {
        "common": None if fleet[0] is None else _common_drawing(groups, fleet_share=fleet[0], level=level),
        "common_table": _common_table(groups, level=level),
    }


def _options(comebacks: list[Comeback]) -> dict[str, list[tuple[str, str]]]:
    """What each select offers."""
    words = {"repair_method": method_words}
    return {
        name: [
            (value, words.get(name, str)(value)) for value in sorted({comeback.keys[name] for comeback in comebacks})
        ]
        for name in ("site", "engine_family", "repair_method")
    }


def _comeback(
    repair: dict[str, Any], evidence: pl.DataFrame | None, *, told: frozenset[str], shows_people: bool
) -> Comeback:
    """One comeback in words."""
    notes = _notes(evidence) if evidence is not None else ()
    facts = [
        ("Earlier repair", f"{method_words(repair['repair_method'])}, {OCCASION_WORDS[repair['occasion']]}"),
        ("Repaired on", day_words(repair["repaired_on"])),
        ("Site", repair["site"]),
        ("Order", repair["order_id"]),
        ("Engine family", repair["engine_family"]),
        ("Came back after", f"{whole(repair['days'])} days, {_km_words(repair['km'])}"),
    ]
    if shows_people and repair["technician"]:
        facts.append(("Technician (pseudonym)", repair["technician"]))
    return Comeback(
        keys={name: repair[name] for name in ("site", "engine_family", "repair_method")},
        vehicle=vehicle_cell(repair["vehicle_id"], told),
        heading=f"{COVER_WORDS[repair['cover_position']]} cover, wet again on {day_words(repair['ended_on'])}",
        story=repair["story"],
        facts=tuple(facts),
        work_done=repair["work_done"] or "",
        notes=notes[-MAX_NOTES:],
        earlier_notes=max(0, len(notes) - MAX_NOTES),
    )


def _km_words(km: float | None) -> str:
    return "km not known" if km is None else f"{whole(km)} km"


def _notes(evidence: pl.DataFrame) -> tuple[Note, ...]:
    """The evidence of one comeback, a note a source text, oldest first."""
    return tuple(
        Note(
            noted_on=day_words(statements["noted_on"][0]),
            origin=f"{ORIGIN_WORDS[str(field)]} {origin}",
            pieces=marked_pieces(statements["full_text"][0] or "", statements.to_dicts()),
        )
        for (origin, field), statements in evidence.group_by("origin_id", "origin_field", maintain_order=True)
    )


def _attribute_words(row: dict[str, str]) -> str:
    """One value of one attribute in words."""
    attribute, value = row["attribute"], row["attribute_value"]
    if attribute == "repair_method":
        return method_words(value)
    if attribute == "occasion":
        return f"done {OCCASION_WORDS[value]}"
    if value in ("yes", "no"):
        return f"{ATTRIBUTE_WORDS[attribute]}: {value}"
    return value


def _in_reading_order(shares: pl.DataFrame) -> pl.DataFrame:
    """Attributes as `COMEBACK_ATTRIBUTES` has them, methods by how much is renewed, the rest by name; with labels."""
    rank = pl.col("attribute").replace_strict(
        COMEBACK_ATTRIBUTES, range(len(COMEBACK_ATTRIBUTES)), return_dtype=pl.Int64
    )
    by_joint = pl.col("attribute_value").replace_strict(
        REPAIR_METHODS, range(len(REPAIR_METHODS)), default=None, return_dtype=pl.Int64
    )
    label = pl.struct("attribute", "attribute_value").map_elements(_attribute_words, return_dtype=pl.String)
    return shares.with_columns(label=label).sort(rank, by_joint, "attribute_value")


def _common_drawing(groups: pl.DataFrame, *, fleet_share: float, level: str) -> Drawing:
    """Comeback share by what was done, on what, where."""
    note = pl.format("{} of {} came back", "events", "n")
    dots = groups.select(
        "label",
        "low",
        "high",
        series=pl.lit("comeback share"),
        value="rate",
        note=pl.when(pl.col("rate").is_null()).then(pl.format("{}: {}", pl.lit(TOO_FEW), note)).otherwise(note),
    )
    figure = interval_dots(
        dots,
        title="Share of repairs that came back, by what was done, on which engine and where",
        line=f"Dot: share. Bar: {level}. Dotted line: all repairs, {percent(fleet_share)}. Nothing is adjusted for.",
        axis="share that came back",
        axis_format=".0%",
        reference=fleet_share,
    )
    return drawing(figure, says=stands_apart(groups, fleet_share=fleet_share))


def _common_table(groups: pl.DataFrame, *, level: str) -> Table:
    """What comebacks have in common, set against all repairs."""
    numbers = ("Repairs", "Of all repairs", "Comebacks", "Of all comebacks", f"Came back ({level})")
    of_attribute = groups.with_columns(
        of_repairs=pl.col("n") / pl.col("n").sum().over("attribute"),
        of_comebacks=(pl.col("events") / pl.col("events").sum().over("attribute")).fill_nan(None),
    )
    return Table(
        "Repairs and comebacks, side by side",
        columns("What", "Kind", *numbers, numbers=numbers),
        tuple(_common_row(row) for row in of_attribute.iter_rows(named=True)),
        empty="No repair has been followed yet.",
    )


def _common_row(row: dict[str, Any]) -> Row:
    """One value of one attribute."""
    shown = f"{percent(row['rate'])} ({percent_range(row['low'], row['high'])})"
    return Row(
        (
            row["label"],
            ATTRIBUTE_WORDS[row["attribute"]],
            whole(row["n"]),
            percent(row["of_repairs"]),
            whole(row["events"]),
            percent(row["of_comebacks"]),
            TOO_FEW if row["rate"] is None else shown,
        )
    )
