"""The steps of the ledger as functions of one bucket of vehicles.

Each is fed by the tables whose names its frames have. A step whose function in `models` already takes them by those
names is that function.
"""

from collections.abc import Callable
from datetime import date

import polars as pl

from models import engines, evidence, odometer, oil
from models.episodes import episodes, last_records
from models.notes import read_orders
from models.settings import EpisodeRules, OilRules


def _cover_work(
    *,
    work_orders: pl.DataFrame,
    engine_periods: pl.DataFrame,
    engine_families: pl.DataFrame,
    odometer_curve: pl.DataFrame,
) -> pl.DataFrame:
    """What each order did to a cover joint, with the words that decided."""
    orders = _located(work_orders, "opened", engine_periods, engine_families, odometer_curve)
    return read_orders(orders, engine_families)


def _evidence(
    *,
    inspection_notes: pl.DataFrame,
    work_orders: pl.DataFrame,
    cover_work: pl.DataFrame,
    engine_periods: pl.DataFrame,
    engine_families: pl.DataFrame,
    odometer_curve: pl.DataFrame,
) -> pl.DataFrame:
    """Dated statements about leaks, with the words that make each."""
    notes = _located(inspection_notes, "noted", engine_periods, engine_families, odometer_curve)
    orders = _located(work_orders, "opened", engine_periods, engine_families, odometer_curve)
    return evidence.evidence(notes, orders, cover_work)


def _episodes(
    *,
    cover_work: pl.DataFrame,
    work_orders: pl.DataFrame,
    evidence: pl.DataFrame,
    vehicles: pl.DataFrame,
    engine_periods: pl.DataFrame,
    engine_families: pl.DataFrame,
    odometer_curve: pl.DataFrame,
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
    "cover_work": _cover_work,
    "evidence": _evidence,
    "episodes": _episodes,
    "oil_segments": _oil_segments,
}
"""Table to the function that fills it."""
