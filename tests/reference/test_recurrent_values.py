"""Mean cumulative functions against R's survival package."""

import polars as pl
from numpy.testing import assert_allclose, assert_array_equal

from models.statistics.mean_cumulative import mean_cumulative
from models.statistics.risk_table import value_at

R_DIGITS = 1e-8


def read(result, values, times):
    return value_at(result.table, values, times, initial=0.0)[0]


def test_valve_seat_replacements_per_engine(published):
    data, expected = published("data/valveseat.csv"), published("expected/valveseat_mcf.csv")
    seats = mean_cumulative(data["time"], data["status"] == 1, data["id"])
    for values, name in (
        (seats.mean, "mcf"),
        (seats.poisson_error, "se_poisson"),
        (seats.robust_error, "survfit_se_robust"),
    ):
        assert_allclose(read(seats, values, expected["time"]), expected[name], rtol=R_DIGITS, err_msg=name)
    assert_array_equal(read(seats, seats.watched, expected["time"]), expected["n.risk"])


def test_five_systems(published):
    spans, expected = published("data/mcf_1.csv"), published("expected/mcf_1.csv")
    repairs = spans.filter(pl.col("s") == 1).select("id", age="t2", failed=pl.lit(True))
    ends = spans.group_by("id").agg(age=pl.col("t2").max(), failed=pl.lit(False))
    data = pl.concat([repairs, ends])
    systems = mean_cumulative(data["age"], data["failed"], data["id"])
    assert_allclose(read(systems, systems.mean, expected["t"]), expected["mcf"], rtol=R_DIGITS)
    assert_allclose(read(systems, systems.poisson_error**2, expected["t"]), expected["var_poisson"], rtol=R_DIGITS)
    assert_allclose(read(systems, systems.robust_error**2, expected["t"]), expected["var_robust"], rtol=R_DIGITS)
    assert_array_equal(read(systems, systems.watched, expected["t"]), expected["n"])


def test_valve_seats_of_engines_watched_since_different_ages(published):
    """`survfit(Surv(from, time, status) ~ 1, id = id)`; the script beside the data invents the entries."""
    data, expected = published("data/valveseat_entry.csv"), published("expected/valveseat_entry.csv")
    seats = mean_cumulative(data["time"], data["status"] == 1, data["id"], entry=data["entry"])
    assert_allclose(read(seats, seats.mean, expected["time"]), expected["mcf"], rtol=R_DIGITS)
    assert_allclose(read(seats, seats.robust_error, expected["time"]), expected["se_robust"], rtol=R_DIGITS)
    assert_array_equal(read(seats, seats.watched, expected["time"]), expected["n.risk"])
