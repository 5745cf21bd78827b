"""The episodes behind one figure, and what each of them adds to it."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from models.measures.bolt_comparison import METHODS, SIDES
from models.measures.comeback_shares import WHOLE_WINDOW, window_used
from models.measures.cube import GROUP_COLUMNS, cause_codes
from models.measures.cusum import cusum
from models.measures.engine_watch import ENGINE, leak_repairs, watched_engines
from models.measures.leak_rates import DAYS_PER_YEAR, EXPOSURE_UNIT
from models.measures.pooled_model import with_expected
from models.measures.repairs_by_age import counted_entries
from models.measures.step_effects import JOINT_OPENED, with_steps
from models.settings import Settings
from models.statistics.kaplan_meier import product_limit
from models.statistics.risk_table import EVENT, Floats, just_before, risk_table

Frames = Mapping[str, pl.DataFrame]
"""Tables by their names."""
COLUMNS = (
    "episode_id",
    "vehicle_id",
    "engine_family",
    "repair_method",
    "site",
    "repaired_on",
    "ended_on",
    "status",
    "time",
    "counts_as",
    "adds",
)


@dataclass(frozen=True)
class Selection:
    """Which figure of a measure.

    Attributes:
        engine_family: Its engine family, '' for all.
        repair_method: Its repair method, '' for all.
        site: Its site, '' for all.
        time_scale: What time is counted in.
        horizon: Where it stops counting; infinity where it does not.
        step: Its job step, '' where it has none.
        level: What the job card says of that step.
    """

    engine_family: str = ""
    repair_method: str = ""
    site: str = ""
    time_scale: str = "days"
    horizon: float = float("inf")
    step: str = ""
    level: str = ""


def episodes_behind(measure: str, frames: Frames, selection: Selection, *, settings: Settings) -> pl.DataFrame:
    """Find the episodes that a figure was made from.

    Args:
        measure: A table of `models.tables.measures`.
        frames: The tables that `models.measures.inputs_of` names, by their names.
        selection: The figure.
        settings: Those that made it.

    Returns:
        `COLUMNS`, sorted by time: `counts_as` says how the episode counts, `adds` sums to the column that
        `models.tables.explanations` names.

    Raises:
        KeyError: No measure has that name.
    """
    ordered = frames["episodes"].sort("days", "vehicle_id", "episode_id")
    counted = BEHIND[measure]({**frames, "episodes": ordered}, selection, settings)
    return counted.sort("time", "vehicle_id", "episode_id").select(COLUMNS)


def _selected(episodes: pl.DataFrame, selection: Selection) -> pl.DataFrame:
    """Episodes of the group that have a time on the scale."""
    wanted = {column: value for column in GROUP_COLUMNS if (value := getattr(selection, column))}
    return episodes.filter(pl.lit(True), **wanted).with_columns(time=pl.col(selection.time_scale)).drop_nulls("time")


def _counts_as(horizon: float) -> pl.Expr:
    """Say how an episode counts at a horizon."""
    words = {"re-leak": "leaked again", "competing": "ended otherwise", "censored": "watched until then, dry"}
    ended = pl.col("status").replace_strict(words, return_dtype=pl.String)
    is_over = (pl.col("time") < horizon) | ((pl.col("time") == horizon) & (pl.col("status") != "censored"))
    return pl.when(is_over).then(ended).otherwise(pl.lit("still dry at the horizon"))


def _falls(counted: pl.DataFrame, *, competing_ends: bool) -> Floats:
    """By how much the share still holding falls at each episode's re-leak, 0 where it has none (n,)."""
    table = risk_table(counted["time"].to_numpy(), cause_codes(counted))
    failures = table.events + table.competing if competing_ends else table.events
    step = just_before(product_limit(table, failures), table.start, 1.0) / table.at_risk
    falls = np.empty(len(counted))
    falls[table.order] = np.where(table.observation_cause == EVENT, step[table.observation_row], 0.0)
    return falls


def _recurrence(frames: Frames, selection: Selection, settings: Settings) -> pl.DataFrame:
    """Each re-leak adds the share still holding just before it over those watched then."""
    return _incidence(_selected(frames["episodes"], selection), selection.horizon)


def _incidence(counted: pl.DataFrame, horizon: float) -> pl.DataFrame:
    falls = pl.Series(_falls(counted, competing_ends=True), dtype=pl.Float64)
    adds = pl.when(pl.col("time") <= horizon).then(falls).otherwise(0.0)
    return counted.with_columns(counts_as=_counts_as(horizon), adds=adds)


def _comeback_shares(frames: Frames, selection: Selection, settings: Settings) -> pl.DataFrame:
    """As `_recurrence`, on the share of the comeback window that is used up."""
    chosen = _selected(frames["episodes"], replace(selection, time_scale="days"))
    return _incidence(chosen.with_columns(time=window_used(settings.episodes)), WHOLE_WINDOW)


def _bolt_comparison(frames: Frames, selection: Selection, settings: Settings) -> pl.DataFrame:
    """As `_recurrence` on either side; re-leaks after new bolts take away."""
    sides = []
    for method, side in METHODS.items():
        counted = _recurrence(frames, replace(selection, repair_method=method), settings)
        sign = -1.0 if side == SIDES[1] else 1.0
        sides.append(counted.with_columns(adds=pl.col("adds") * sign))
    return pl.concat(sides)


def _bolt_worth(frames: Frames, selection: Selection, settings: Settings) -> pl.DataFrame:
    """Each repair with new bolts that leaked again adds itself; those without are listed beside them."""
    counted = _whole_watch(
        _selected(frames["episodes"].filter(pl.col("repair_method").is_in(list(METHODS))), selection)
    )
    side = pl.col("repair_method").replace_strict(METHODS, return_dtype=pl.String)
    return counted.with_columns(
        counts_as=pl.format("{} new bolts: {}", side, "counts_as"),
        adds=pl.when(side == SIDES[1]).then("adds").otherwise(0.0),
    )


def _time_to_releak(frames: Frames, selection: Selection, settings: Settings) -> pl.DataFrame:
    """Each re-leak adds its time by its share; those still dry at the horizon share what is left."""
    counted = _selected(frames["episodes"], selection)
    time, horizon = counted["time"].to_numpy(), selection.horizon
    is_over = counted.select(_counts_as(horizon) != "still dry at the horizon").to_series().to_numpy()
    falls = np.where(is_over, _falls(counted, competing_ends=False), 0.0)
    left = (1.0 - falls.sum()) * horizon / max(int((~is_over).sum()), 1)
    adds = np.where(is_over, falls * time, left)
    return counted.with_columns(counts_as=_counts_as(horizon), adds=pl.Series(adds, dtype=pl.Float64))


def _leak_rates(frames: Frames, selection: Selection, settings: Settings) -> pl.DataFrame:
    """Each re-leak adds one over all time watched."""
    counted = _selected(frames["episodes"], selection)
    exposure = float(counted["time"].to_numpy().sum()) / EXPOSURE_UNIT[selection.time_scale]
    adds = pl.when(pl.col("status") == "re-leak").then(1.0 / exposure if exposure else 0.0).otherwise(0.0)
    return counted.with_columns(counts_as=_counts_as(float("inf")), adds=adds)


def _site_comparison(frames: Frames, selection: Selection, settings: Settings) -> pl.DataFrame:
    """Each episode adds what was to be expected of it."""
    expected = with_expected(frames["episodes"], frames["engine_periods"], time_scale=selection.time_scale)
    counted = _selected(expected, selection)
    return counted.with_columns(counts_as=_counts_as(float("inf")), adds=pl.col("expected"))


def _re_leaks(frames: Frames, selection: Selection, settings: Settings) -> pl.DataFrame:
    """Each re-leak of the group adds itself."""
    return _whole_watch(_selected(frames["episodes"], selection))


def _step_effects(frames: Frames, selection: Selection, settings: Settings) -> pl.DataFrame:
    """Each re-leak of the level adds itself."""
    opened = frames["episodes"].filter(pl.col("repair_method").is_in(JOINT_OPENED))
    stepped = with_steps(opened, frames["repair_records"], frames["engine_families"])
    return _whole_watch(_selected(stepped.filter(pl.col(selection.step) == selection.level), selection))


def _cusum(frames: Frames, selection: Selection, settings: Settings) -> pl.DataFrame:
    """Each repair of the whole site, up to the last one counted, moves the sum."""
    chart = cusum(
        frames["episodes"],
        frames["engine_periods"],
        rules=settings.measures,
        window=settings.episodes,
        people=settings.fleet.model_copy(update={"show_technicians": False}),
    )
    words = pl.when("is_comeback").then(pl.lit("came back")).otherwise(pl.lit("did not come back"))
    moved = (
        chart.filter(pl.col("site") == selection.site, pl.col("number") <= selection.horizon)
        .sort("number")
        .select("episode_id", counts_as=words, adds=pl.col("value").diff().fill_null(pl.col("value")))
    )
    return _selected(frames["episodes"], replace(selection, time_scale="days")).join(moved, on="episode_id")


def _repairs_by_age(frames: Frames, selection: Selection, settings: Settings) -> pl.DataFrame:
    """Each repair adds one over the engines watched at that age; two covers done on one day share it."""
    inputs = (frames["episodes"], frames["engine_periods"], frames["last_records"])
    _, entries = counted_entries(*inputs, rules=settings.measures)
    chosen = entries.filter(engine_family=selection.engine_family)
    ages = chosen.filter("is_event").select("age_days").unique()
    ends = chosen.filter(~pl.col("is_event"))
    watched = ages.join_where(
        ends.select(until="age_days", since="begin_days"),
        pl.col("since") < pl.col("age_days"),
        pl.col("age_days") <= pl.col("until"),
    )
    each = watched.group_by("age_days").agg(each=1.0 / pl.len())
    repaired = leak_repairs(frames["episodes"], watched_engines(*inputs[1:])).join(
        chosen.filter("is_event").select(*ENGINE, "age_days"), on=[*ENGINE, "age_days"]
    )
    return (
        repaired.with_columns(time=pl.col("age_days") / DAYS_PER_YEAR, counts_as=pl.lit("repaired for a leak"))
        .filter(pl.col("time") <= selection.horizon)
        .join(each, on="age_days")
        .with_columns(adds=pl.col("each") / pl.len().over(*ENGINE, "age_days"))
    )


def _repair_trends(frames: Frames, selection: Selection, settings: Settings) -> pl.DataFrame:
    """Each day of repair of an engine adds one; two covers done on one day share it."""
    repaired = leak_repairs(frames["episodes"], watched_engines(frames["engine_periods"], frames["last_records"]))
    wanted = {"engine_family": selection.engine_family} if selection.engine_family else {}
    return repaired.filter(pl.lit(True), **wanted).with_columns(
        time=pl.col("age_days") / DAYS_PER_YEAR,
        counts_as=pl.lit("repaired for a leak"),
        adds=1.0 / pl.len().over(*ENGINE, "age_days"),
    )


def _leak_timing_curve(frames: Frames, selection: Selection, settings: Settings) -> pl.DataFrame:
    """Each re-leak adds by how much the share still dry falls, other ends censored."""
    counted = _selected(frames["episodes"], selection)
    falls = pl.Series(_falls(counted, competing_ends=False), dtype=pl.Float64)
    adds = pl.when(pl.col("time") <= selection.horizon).then(falls).otherwise(0.0)
    return counted.with_columns(counts_as=_counts_as(selection.horizon), adds=adds)


def _whole_watch(counted: pl.DataFrame) -> pl.DataFrame:
    """Count every episode for as long as it was watched; a re-leak adds 1."""
    adds = (pl.col("status") == "re-leak").cast(pl.Float64)
    return counted.with_columns(counts_as=_counts_as(float("inf")), adds=adds)


BEHIND: dict[str, Callable[[Frames, Selection, Settings], pl.DataFrame]] = {
    "recurrence": _recurrence,
    "recurrence_curve": _recurrence,
    "time_to_releak": _time_to_releak,
    "leak_rates": _leak_rates,
    "site_comparison": _site_comparison,
    "method_effects": _re_leaks,
    "step_effects": _step_effects,
    "comeback_shares": _comeback_shares,
    "cusum": _cusum,
    "bolt_comparison": _bolt_comparison,
    "bolt_worth": _bolt_worth,
    "repairs_by_age": _repairs_by_age,
    "repair_trends": _repair_trends,
    "leak_timing_curve": _leak_timing_curve,
    "leak_timing": _re_leaks,
}
"""Measure to the function that finds the episodes behind one of its figures."""
