"""Whether bolts pay, on a fleet whose bolts have a known worth and price."""

from datetime import date

import numpy as np
import polars as pl
import pytest

from models.measures import bolt_worth, method_effects
from models.settings import PlanRules

WITHOUT, WITH = "gasket_and_seals", "gasket_seals_bolts"
SET = 19.0


@pytest.fixture(scope="module")
def costs():
    return PlanRules()


@pytest.fixture(scope="module")
def paired(make):
    """Leaks after gasket and seals at a hazard of 0.002 a day, with bolts at 0.001; family F2's parts cost more and it
    gets bolts more often, but leaks alike."""
    rng = np.random.default_rng(7)
    rows = []
    for number in range(1_200):
        family = "F2" if number % 2 else "F1"
        method = WITH if rng.random() < (0.6 if family == "F2" else 0.3) else WITHOUT
        leak = rng.exponential(1_000 if method == WITH else 500)
        watched = rng.uniform(300, 1_200)
        rows.append(
            {"engine_family": family, "repair_method": method, "days": float(np.ceil(min(leak, watched)))}
            | {"status": "re-leak" if leak <= watched else "censored", "vehicle_id": f"v{number // 2:04}"}
        )
    return make(*rows)


@pytest.fixture(scope="module")
def orders(paired):
    """Parts: 53 on F1 and 90 on F2, a set of bolts 19; one order in eight without a cost."""
    base = pl.when(pl.col("engine_family") == "F2").then(90.0).otherwise(53.0)
    cost = base + pl.when(pl.col("repair_method") == WITH).then(SET).otherwise(0.0)
    is_booked = pl.int_range(pl.len()) % 8 > 0
    return paired.select("order_id", parts_cost=pl.when(is_booked).then(cost))


@pytest.fixture(scope="module")
def worth(paired, fitted, orders, rules, costs):
    return bolt_worth(paired, fitted(paired), orders, rules=rules, costs=costs)


def test_the_true_worth_and_price_are_found(worth, costs):
    """exp(-0.001 t) - exp(-0.002 t) of repairs are spared by t; the price is the same on every engine."""
    for row in worth.filter(pl.col("horizon") >= 90).iter_rows(named=True):
        spared = np.exp(-0.001 * row["horizon"]) - np.exp(-0.002 * row["horizon"])
        assert row["spared_low"] < spared < row["spared_high"]
        assert row["worth"] == pytest.approx(row["spared"] * costs.unplanned_leak_cost)
        assert (row["cost"], row["cost_low"], row["cost_high"]) == pytest.approx((SET, SET, SET))
        assert row["left_over"] == pytest.approx(row["worth"] - SET)
    at_a_year = worth.filter(horizon=365.0).row(0, named=True)
    assert at_a_year["low"] < 0.5 < at_a_year["high"]
    assert at_a_year["left_over_low"] > 0


def test_it_is_the_contrast_of_method_effects_where_those_two_are_all_there_is(paired, fitted, worth, rules):
    effect = method_effects(paired, fitted(paired), rules=rules).filter(time_scale="days").row(0, named=True)
    row = worth.filter(horizon=rules.difference_days).row(0, named=True)
    sign = 1.0 if effect["repair_method"] == WITH else -1.0
    assert np.log(row["hazard_ratio"]) == pytest.approx(sign * np.log(effect["hazard_ratio"]), rel=1e-6)
    assert row["spared"] == pytest.approx(-sign * effect["difference"], rel=1e-6)


def test_as_many_repairs_as_it_asks_for_put_zero_outside_four_times_in_five(worth, rules):
    """Standard errors fall with the root of n: 1.96 + 0.84 of them reach from what is left over to zero."""
    row = worth.filter(horizon=365.0).row(0, named=True)
    error = (row["left_over_high"] - row["left_over"]) / 1.959964
    wanted = (1.959964 + 0.841621) * error / row["left_over"]
    assert row["repairs_needed"] == pytest.approx(1_200 * wanted**2, rel=0.01)


def test_two_covers_of_one_order_share_its_parts(make, fitted, rules, costs):
    """Every order repairs both covers: parts of 106 or 144 make 53 or 72 a cover."""
    rows = [
        {
            "order_id": f"o{number:03}",
            "vehicle_id": f"v{number:03}",
            "repair_method": method,
            "cover_position": position,
        }
        | {"status": "re-leak" if number % 5 == 0 else "censored", "days": 100.0 + number}
        for number in range(60)
        for method in [WITH if number % 3 == 0 else WITHOUT]
        for position in ("left", "right")
    ]
    episodes = make(*rows, repaired_on=date(2024, 1, 1))
    orders = episodes.group_by("order_id").agg(
        parts_cost=pl.when(pl.col("repair_method").first() == WITH).then(144.0).otherwise(106.0)
    )
    row = bolt_worth(episodes, fitted(episodes), orders, rules=rules, costs=costs).row(-1, named=True)
    assert row["cost"] == pytest.approx(SET)


def test_without_costs_the_worth_stands_alone_and_says_why(paired, fitted, orders, rules, costs):
    unknown = orders.with_columns(parts_cost=pl.lit(None, pl.Float64))
    row = bolt_worth(paired, fitted(paired), unknown, rules=rules, costs=costs).filter(horizon=365.0).row(0, named=True)
    assert row["worth"] is not None
    assert (row["cost"], row["left_over"], row["repairs_needed"]) == (None, None, None)
    assert row["cost_reason"] == "too few orders with the cost of their parts: without new bolts 0; with new bolts 0"


def test_one_kind_only_or_none_has_a_reason_and_no_figure(make, fitted, orders, rules, costs):
    one = make(*[{"status": "re-leak", "days": 50.0, "repair_method": WITHOUT}] * 20)
    for episodes in (one, one.clear()):
        table = bolt_worth(episodes, fitted(episodes), orders, rules=rules, costs=costs)
        assert table.height == len(rules.horizons_days)
        assert table["worth"].null_count() == table.height
        assert table["reason"].null_count() == 0
