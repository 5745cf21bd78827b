"""How the share that leaked again grows: curves by repair method."""

from itertools import groupby
from operator import itemgetter

import polars as pl

from dashboards.drawing import drawing
from dashboards.figures.recurrence_curves import recurrence_curves
from dashboards.pages.comparing.selecting import Choice, cut, selection_words, selections
from dashboards.saying import CANNOT_TELL, which_leaks_less
from dashboards.tabulating import Row, Table, columns
from dashboards.wording import TOO_FEW, listed, method_words, whole


def curve_choices(curves: pl.DataFrame, recurrence: pl.DataFrame, *, level: str) -> list[Choice]:
    """Cumulative curves by method with the numbers still watched, for every selection."""
    measured = cut(recurrence, "repair_method")
    return [
        _curve_choice(keys, rows, measured[tuple(keys.values())], level=level)
        for keys, rows in selections(curves, "repair_method", estimate="recurrence")
    ]


def _curve_choice(keys: dict[str, str], rows: pl.DataFrame, measured: pl.DataFrame, *, level: str) -> Choice:
    unit = keys["time_scale"]
    drawn = rows.filter(pl.col("repair_method") != "")
    figure = recurrence_curves(
        drawn,
        title=f"Share that leaked again as time goes by: {selection_words(keys)}",
        line=f"A line rises when a repair is seen to leak; the pale band is its {level}. Tap a name to hide its line.",
        unit=unit,
    )
    shown = {"", *drawn["repair_method"]}
    methods = measured["repair_method"].unique(maintain_order=True)
    left_out = [method_words(method) for method in methods if method not in shown]
    says = _curves_say(measured.filter(pl.col("repair_method") != ""), unit, left_out)
    return Choice(keys, drawing(figure, says=says), _at_risk_table(measured, unit))


def _curves_say(measured: pl.DataFrame, unit: str, left_out: list[str]) -> str:
    """What the horizon at which most methods can be judged says, and which are not drawn."""
    judged = measured.filter(pl.col("rate").is_not_null())
    not_drawn = f" Not drawn, {TOO_FEW}: {listed(left_out)}." if left_out else ""
    if judged.is_empty():
        return f"{CANNOT_TELL}: no method has enough repairs and re-leaks here.{not_drawn}"
    most = judged.group_by("horizon").len().sort("len", "horizon").row(-1, named=True)
    horizon = float(most["horizon"])
    return which_leaks_less(judged.filter(pl.col("horizon") == horizon), horizon=horizon, unit=unit) + not_drawn


def _at_risk_table(measured: pl.DataFrame, unit: str) -> Table:
    """Repairs still watched at each horizon: where few are, the curve is loose."""
    horizons = sorted(measured["horizon"].unique())
    numbers = ["At the repair", *(f"{whole(horizon)} {unit}" for horizon in horizons)]
    by_label = groupby(measured.select("label", "n", "at_risk").iter_rows(), key=itemgetter(0, 1))
    rows = tuple(
        Row((label, whole(n), *(whole(at_risk) for _, _, at_risk in of_group))) for (label, n), of_group in by_label
    )
    return Table("Repairs still watched", columns("Repair method", *numbers, numbers=numbers), rows)
