"""How one published figure came about: its definition, and the episodes behind it."""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import dataframely as dy
import polars as pl

from dashboards.snapshot import Snapshot, opened
from models import measures
from models.errors import UsageError
from models.measures import inputs_of
from models.measures.behind import Selection, episodes_behind
from models.settings import Settings
from models.tables.explanations import Explanation, explanations
from models.tables.measures import COMEBACK_ATTRIBUTES, OF_VEHICLES, TABLES

GROUPS = {
    "engine_family": "--family",
    "repair_method": "--method",
    "site": "--site",
    "time_scale": "--scale",
    "step": "--step",
    "level": "--level",
}
"""Key column to the option that chooses by it."""
STEPS = ("horizon", "time", "number", "age_years")
"""Columns that say how far a row counts; of repairs in a row the last is explained where none is chosen."""
NEEDED = {
    "site_comparison": ("site",),
    "method_effects": ("repair_method",),
    "step_effects": ("step", "level"),
    "cusum": ("site",),
}
"""Measures that have no row for all."""


@dataclass(frozen=True)
class Explained:
    """What there is to say about one figure.

    Args:
        words: Heading to text, in the order they are said.
        figure: The published row, or why there is none.
        episodes: The episodes behind it, as `models.measures.behind.COLUMNS`.
    """

    words: dict[str, str]
    figure: dict[str, Any]
    episodes: pl.DataFrame


def explain(path: Path, measure: str, *, horizon: float | None, **chosen: str | None) -> Explained:
    """Explain one figure of the published snapshot.

    Args:
        path: The published snapshot's file.
        measure: A table of measures, or one of its columns as `table.column`.
        horizon: Where the figure stops counting; the middle one of those published without it.
        chosen: The keys of `GROUPS`; None for all, and for days.

    Raises:
        NothingPublishedError: There is no such file.
        UsageError: There is no such measure, column or figure.
    """
    table, _, column = measure.partition(".")
    explanation, schema = _explanation(table), TABLES[table]
    if column and column not in schema.columns():
        raise UsageError(f"{table} has no column {column!r}. Its columns: {', '.join(schema.columns())}.")
    with opened(path) as snapshot:
        rows = _rows_of(table, snapshot.table(table), {name: value for name, value in chosen.items() if value})
        figure = _at_horizon(rows, horizon)
        selection = _selection(figure, chosen)
        frames = {name: snapshot.table(name) for name in inputs_of(getattr(measures, table))}
        behind = episodes_behind(table, frames, selection, settings=snapshot.settings)
        words = _words(explanation, schema, column, snapshot)
    return Explained(words, figure, behind)


def _explanation(table: str) -> Explanation:
    try:
        return explanations()[table]
    except KeyError:
        if table in OF_VEHICLES:
            raise UsageError(
                f"{table} is of single vehicles: 'releak story VEHICLE' shows its records and what they give."
            ) from None
        raise UsageError(f"There is no measure {table!r}. Name one of {', '.join(TABLES)}.") from None


def _rows_of(table: str, published: pl.DataFrame, chosen: dict[str, str]) -> pl.DataFrame:
    """The published rows of one group, all its horizons; every key that is not chosen stands at all, or at days."""
    keys = TABLES[table].primary_key()
    wanted = _attribute(chosen) if "attribute" in keys else chosen
    foreign = [GROUPS[name] for name in wanted if name in GROUPS and name not in keys]
    if foreign:
        raise UsageError(f"{table} has no figures by {' or '.join(foreign)}. Leave it out.")
    defaults = {"engine_family": "", "repair_method": "", "site": "", "time_scale": "days"}
    defaults |= {"technician": "", "clock": "detection"}
    full = {name: wanted.get(name, default) for name, default in defaults.items() if name in keys} | wanted
    unchosen = [GROUPS[name] for name in NEEDED.get(table, ()) if name not in chosen]
    if unchosen:
        raise UsageError(f"{table} has no row for all. Choose one with {' and '.join(unchosen)}.")
    rows = published.filter(**full)
    if rows.is_empty():
        asked = ", ".join(f"{name} {value!r}" for name, value in full.items() if value)
        raise UsageError(f"{table} has no row for {asked}. 'releak query \"FROM {table}\"' lists what there is.")
    return rows


def _attribute(chosen: dict[str, str]) -> dict[str, str]:
    """The one attribute comebacks are counted by."""
    named = {name: value for name, value in chosen.items() if name in COMEBACK_ATTRIBUTES}
    if len(named) > 1 or chosen.get("time_scale", "days") != "days":
        raise UsageError("Comebacks are counted by one attribute at a time. Choose one of --family, --method, --site.")
    for name, value in named.items():
        return {"attribute": name, "attribute_value": value}
    return {"attribute": "", "attribute_value": ""}


def _at_horizon(rows: pl.DataFrame, horizon: float | None) -> dict[str, Any]:
    """The row at a horizon, or at the middle one."""
    step = next((name for name in STEPS if name in rows.columns), None)
    if step is None:
        if horizon is not None:
            raise UsageError("This measure has no horizon. Leave --horizon out.")
        return rows.row(0, named=True)
    ordered = rows.sort(step)
    published = ordered[step].to_list()
    if horizon is None:
        return ordered.row(-1 if step == "number" else (len(published) - 1) // 2, named=True)
    at = ordered.filter(pl.col(step) == horizon) if step == "horizon" else ordered.filter(pl.col(step) <= horizon)
    if at.is_empty():
        raise UsageError(
            f"There is no figure at {horizon:g}. Published horizons: {', '.join(f'{h:g}' for h in published)}."
        )
    return at.row(-1, named=True)


def _selection(figure: dict[str, Any], chosen: dict[str, str | None]) -> Selection:
    """What a published row counts."""
    horizon = next((float(figure[name]) for name in STEPS if name in figure), float("inf"))
    groups = {name: value for name in GROUPS if (value := figure.get(name) or chosen.get(name))}
    return Selection(**groups, horizon=horizon)


def _words(explanation: Explanation, schema: type[dy.Schema], column: str, snapshot: Snapshot) -> dict[str, str]:
    """What is said of the measure, heading by heading."""
    shown = {column: schema.columns()[column]} if column else schema.columns()
    return {
        "What it is": explanation.says,
        "How it is computed": explanation.formula,
        "Source": explanation.source,
        "Held against": explanation.checked,
        "True as of": f"{snapshot.as_of}, snapshot {snapshot.snapshot_id}",
        "Settings in force": "\n".join(_setting_words(name, snapshot.settings) for name in explanation.settings),
        "Columns": "\n".join(_column_words(name, declared) for name, declared in shown.items()),
        "Episodes": (f"'adds' is {explanation.adds}; it sums to {explanation.adds_to}."),
    }


def _setting_words(place: str, settings: Settings) -> str:
    """A threshold with its value, unit and reason."""
    section, _, name = place.partition(".")
    rules = getattr(settings, section)
    field = type(rules).model_fields[name]
    value = getattr(rules, name)
    shown = ", ".join(f"{item:g}" for item in value) if isinstance(value, tuple) else f"{value:g}"
    return f"{place} = {shown} {field.json_schema_extra['unit']} ({field.description})"


def _column_words(name: str, column: dy.Column) -> str:
    """A column with its unit."""
    unit = (column.metadata or {}).get("unit", "")
    return f"{name}: {column.description or ''}" + (f" [{unit}]" if unit not in ("", "1", "count") else "")
