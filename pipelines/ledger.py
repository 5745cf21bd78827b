"""The steps of the ledger as functions of one bucket of vehicles, and which vehicles a run takes through them.

Each step is fed by the tables whose names its frames have. A step whose function in `models` already takes them by
those names is that function.
"""

import inspect
from collections.abc import Callable
from datetime import date
from functools import partial

import polars as pl

from models import engine_hours, engines, evidence, odometer, oil
from models.episodes import episodes, last_records
from models.notes import AddedLexicon, read_orders
from models.remarks import remarks
from models.settings import EpisodeRules, OilRules, Settings
from models.tables import layer_of
from pipelines.changes import Build, changed_since, fingerprint, last_build, record_build
from pipelines.engine import over_vehicles
from pipelines.warehouse import Warehouse


def _cover_work(
    *,
    work_orders: pl.DataFrame,
    engine_periods: pl.DataFrame,
    engine_families: pl.DataFrame,
    odometer_curve: pl.DataFrame,
    added: AddedLexicon,
) -> pl.DataFrame:
    """What each order did to a cover joint, with the words that decided."""
    orders = _located(work_orders, "opened", engine_periods, engine_families, odometer_curve)
    return read_orders(orders, engine_families, added=added)


def _evidence(
    *,
    inspection_notes: pl.DataFrame,
    work_orders: pl.DataFrame,
    cover_work: pl.DataFrame,
    engine_periods: pl.DataFrame,
    engine_families: pl.DataFrame,
    odometer_curve: pl.DataFrame,
    added: AddedLexicon,
) -> pl.DataFrame:
    """Dated statements about leaks, with the words that make each."""
    notes = _located(inspection_notes, "noted", engine_periods, engine_families, odometer_curve)
    orders = _located(work_orders, "opened", engine_periods, engine_families, odometer_curve)
    return evidence.evidence(notes, orders, cover_work, added=added)


def _episodes(
    *,
    cover_work: pl.DataFrame,
    work_orders: pl.DataFrame,
    evidence: pl.DataFrame,
    vehicles: pl.DataFrame,
    engine_periods: pl.DataFrame,
    engine_families: pl.DataFrame,
    odometer_curve: pl.DataFrame,
    engine_hours_curve: pl.DataFrame,
    last_records: pl.DataFrame,
    repair_records: pl.DataFrame,
    rules: EpisodeRules,
    as_of: date,
) -> pl.DataFrame:
    """Each repair of one cover and what followed it."""
    return episodes(
        cover_work,
        work_orders,
        evidence,
        vehicles=vehicles,
        periods=engine_periods,
        families=engine_families,
        curve=odometer_curve,
        hours_curve=engine_hours_curve,
        last_seen=last_records,
        repair_records=repair_records,
        rules=rules,
        as_of=as_of,
    )


def _oil_segments(
    *,
    oil_top_ups: pl.DataFrame,
    odometer_curve: pl.DataFrame,
    engine_periods: pl.DataFrame,
    engine_families: pl.DataFrame,
    rules: OilRules,
) -> pl.DataFrame:
    """Oil put in between two fills, as a rate."""
    return oil.oil_segments(oil_top_ups, odometer_curve, engine_periods, engine_families, rules=rules)


def _located(
    records: pl.DataFrame, moment: str, periods: pl.DataFrame, families: pl.DataFrame, curve: pl.DataFrame
) -> pl.DataFrame:
    """Records with the engine, its covers and the distance at `<moment>_at`."""
    return engines.locate(
        records, at_column=f"{moment}_at", on_column=f"{moment}_on", periods=periods, families=families, curve=curve
    )


STEPS: dict[str, Callable[..., pl.DataFrame]] = {
    "engine_periods": engines.engine_periods,
    "last_records": last_records,
    "odometer_curve": odometer.odometer_curve,
    "engine_hours_curve": engine_hours.engine_hours_curve,
    "cover_work": _cover_work,
    "evidence": _evidence,
    "episodes": _episodes,
    "oil_segments": _oil_segments,
    "remarks": remarks,
}
"""Table to the function that fills it."""


def tables_read(table: str) -> list[str]:
    """Return the tables that a step is fed by."""
    parameters = inspect.signature(STEPS[table]).parameters.values()
    return [parameter.name for parameter in parameters if parameter.annotation is pl.DataFrame]


def bring_up_to_date(warehouse: Warehouse, table: str, *, settings: Settings, as_of: date) -> None:
    """Build the rows of the vehicles whose records changed since a table was built, in place of those it had.

    A table made by other code or thresholds is built whole. Days that pass change no row: no record lies after the
    extract's day, and when that day goes back the records of every vehicle are replaced.

    Args:
        warehouse: Where the tables stand.
        table: The table's name.
        settings: The thresholds of today.
        as_of: Day of the extract.
    """
    fill = partial(STEPS[table], **step_options(table, settings, as_of))
    reads = [(layer_of(name), name) for name in tables_read(table)]
    made_by = _made_by(settings)
    with warehouse.connect() as connection:
        own, records = last_build(connection, table), last_build(connection, "records")
        sources = [last_build(connection, name) for layer, name in reads if layer == "ledger"]
        changed = changed_since(connection, own.change)
    if own.made_by == made_by:
        rows = over_vehicles(warehouse, fill, vehicles=changed, tables=reads)
        warehouse.replace("ledger", table, rows, vehicles=changed)
    else:
        every = warehouse.read("records", "vehicles")["vehicle_id"]
        warehouse.write("ledger", table, over_vehicles(warehouse, fill, vehicles=every, tables=reads))
    is_current = all(source.made_by == made_by for source in sources)
    change = min(build.change for build in (records, *sources))
    with warehouse.transaction() as connection:
        record_build(connection, table, Build(made_by if is_current else "", change, records.as_of))


def step_options(table: str, settings: Settings, as_of: date) -> dict[str, object]:
    """Return what a step takes beside its tables."""
    rules = dict.fromkeys(("odometer_curve", "engine_hours_curve"), settings.odometer)
    rules |= {"episodes": settings.episodes, "oil_segments": settings.oil}
    options: dict[str, object] = {"rules": rules[table]} if table in rules else {}
    if table in ("cover_work", "evidence"):
        options["added"] = settings.lexicon
    return options | ({"as_of": as_of} if table in ("last_records", "episodes") else {})


def _made_by(settings: Settings) -> str:
    """Name the code, the thresholds and the added words that the ledger follows from."""
    parts = (settings.odometer, settings.episodes, settings.oil, settings.lexicon)
    return fingerprint(*(part.model_dump_json() for part in parts))
