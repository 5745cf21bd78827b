import numpy as np
import polars as pl
import pytest

from models.measures import leak_rates, time_to_releak
from models.statistics.poisson import garwood_limits

ALL = (pl.col("engine_family") == "") & (pl.col("repair_method") == "") & (pl.col("site") == "")


def overall(table, scale="days"):
    return table.filter(ALL, pl.col("time_scale") == scale).row(0, named=True)


def test_means_by_hand(make, rules):
    """Ten leak at day 100, ten are dry at day 800: half the fleet lasts 100 days and half the whole horizon of 730."""
    episodes = make(*[("re-leak", 100)] * 10, *[("censored", 800)] * 10)
    row = overall(time_to_releak(episodes, rules=rules))
    assert row["restricted_mean"] == pytest.approx((100 + 730) / 2)
    assert row["low"] < row["restricted_mean"] < row["high"]
    assert row["plain_mean_of_failed"] == 100
    assert row["median"] == 100
    assert row["b10"] == 100
    assert (row["n"], row["events"], row["exposure"]) == (20, 10, 9000)
    assert row["weibull_mean"] is None
    assert row["reason"] == "Weibull: the fitted curve leaves the observed one"


def test_a_weibull_fleet_has_its_weibull_mean(make, rules):
    """Life of shape 2 and scale 300: mean 300 * gamma(1.5) = 265.9 days."""
    life = 300 * np.random.default_rng(2).weibull(2.0, 400)
    episodes = make(*[("re-leak" if t < 500 else "censored", min(t, 500.0)) for t in life])
    row = overall(time_to_releak(episodes, rules=rules))
    assert row["weibull_low"] < 265.9 < row["weibull_high"]
    assert row["weibull_shape"] == pytest.approx(2.0, abs=0.25)
    assert row["restricted_mean"] is None
    assert row["reason"] == "mean: not watched that long: 500 days at most"


def test_several_kinds_of_repairs_have_no_weibull_life_together(make, rules):
    """Lives of shape 2 and scale 300 whichever the method: what is known of each is not said of both."""
    life = 300 * np.random.default_rng(2).weibull(2.0, 400)
    rows = [{"status": "re-leak" if t < 500 else "censored", "days": min(t, 500.0)} for t in life]
    few_others = [
        row | {"repair_method": "gasket_and_seals" if i % 25 == 0 else "gasket"} for i, row in enumerate(rows)
    ]
    half = [row | {"repair_method": "gasket_and_seals" if i % 2 else "gasket"} for i, row in enumerate(rows)]
    table = time_to_releak(make(*half), rules=rules)
    row = overall(table)
    assert (row["weibull_mean"], row["weibull_shape"]) == (None, None)
    assert row["reason"].endswith("Weibull: several families or methods")
    each = table.filter(engine_family="", site="", time_scale="days", repair_method="gasket").row(0, named=True)
    assert each["weibull_low"] < 265.9 < each["weibull_high"]
    assert overall(time_to_releak(make(*few_others), rules=rules))["weibull_low"] < 265.9


def test_all_failed_needs_no_longer_watch(make, rules):
    row = overall(time_to_releak(make(*[("re-leak", 10.0 * i) for i in range(1, 21)]), rules=rules))
    assert row["restricted_mean"] == pytest.approx(105.0)
    assert row["reason"] is None


def test_a_mean_is_not_known_past_a_last_competing_end(make, rules):
    """Competing ends are censored in the mean: nobody knows how long these would have stayed dry."""
    row = overall(time_to_releak(make(*[("re-leak", 100)] * 12, *[("competing", 300)] * 8), rules=rules))
    assert row["restricted_mean"] is None
    assert row["reason"].startswith("mean: not watched that long: 300 days at most")


def test_what_is_not_reached_is_said(make, rules):
    episodes = make(*[("re-leak", 100)] * 3, *[("censored", 800)] * 60)
    row = overall(time_to_releak(episodes, rules=rules))
    assert row["reason"] == "Weibull: under 20% have leaked again; median not reached; B10 not reached"
    assert [row[name] for name in ("weibull_mean", "weibull_shape", "median", "b10")] == [None] * 4
    assert row["restricted_mean"] is not None


def test_a_mean_needs_re_leaks_before_its_horizon(make, rules):
    episodes = make(("re-leak", 100), *[("re-leak", 750)] * 5, *[("censored", 800)] * 10)
    row = overall(time_to_releak(episodes, rules=rules))
    assert (row["restricted_mean"], row["low"]) == (None, None)
    assert row["reason"].startswith("mean: too few to say: 1 re-leak by 730 days")


@pytest.mark.parametrize(("leaks", "dry"), [(2, 30), (5, 4)])
def test_too_few_to_say(make, rules, leaks, dry):
    episodes = make(*[("re-leak", 100)] * leaks, *[("censored", 800)] * dry)
    row = overall(time_to_releak(episodes, rules=rules))
    assert row["reason"] == f"too few to say: {leaks + dry} episodes, {leaks} re-leaks"
    figures = ("restricted_mean", "low", "weibull_mean", "plain_mean_of_failed", "median", "b10")
    assert [row[name] for name in figures] == [None] * 6


def test_a_re_leak_on_the_day_itself_has_a_weibull_life(make, rules):
    random = np.random.default_rng(9)
    episodes = make(("re-leak", 0), *[("re-leak", t) for t in np.ceil(200 * random.weibull(1.0, 60))])
    row = overall(time_to_releak(episodes, rules=rules))
    assert row["weibull_mean"] == pytest.approx(200, rel=0.4)


def test_rates_by_hand(make, rules):
    """Four re-leaks in 10 times 365.25 days at 50 km a day, with the chi-squared limits of a count of four."""
    episodes = make(*[("re-leak", 365.25)] * 4, *[("competing", 365.25)] * 6)
    days, km = (overall(leak_rates(episodes, rules=rules), scale) for scale in ("days", "km"))
    assert days["rate"] == pytest.approx(4 / 10)
    assert (days["exact_low"], days["exact_high"]) == pytest.approx((1.08987 / 10, 10.24159 / 10), rel=1e-5)
    scatter = (4 * 0.6**2 + 6 * 0.4**2) / 4 * (2.26216 / 1.95996) ** 2 * 10 / 9
    low, high = garwood_limits(4 / scatter)
    assert (days["low"], days["high"]) == pytest.approx((low * scatter / 10, high * scatter / 10), rel=1e-5)
    assert km["rate"] == pytest.approx(4 / (10 * 365.25 * 50 / 100_000))


def test_no_rate_of_few_or_of_no_time(make, rules):
    assert overall(leak_rates(make(*[("re-leak", 5)] * 9), rules=rules))["rate"] is None
    at_once = overall(leak_rates(make(*[("re-leak", 0)] * 12), rules=rules))
    assert (at_once["rate"], at_once["reason"]) == (None, "no time watched")
