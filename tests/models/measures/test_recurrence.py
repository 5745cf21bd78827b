import numpy as np
import polars as pl
import pytest
from numpy.testing import assert_allclose

from models.measures import recurrence, recurrence_curve
from models.statistics.aalen_johansen import aalen_johansen
from models.statistics.clustering import vehicle_clusters
from models.statistics.few_clusters import clustered_reach, effective_clusters
from models.statistics.kaplan_meier import kaplan_meier
from models.statistics.risk_table import risk_table, value_at

ALL = (pl.col("engine_family") == "") & (pl.col("repair_method") == "") & (pl.col("site") == "")


def at(table, horizon, scale="days"):
    rows = table.filter(ALL, pl.col("time_scale") == scale, pl.col("horizon") == horizon)
    return rows.row(0, named=True)


def test_shares_by_hand(make, rules):
    """Twenty repairs watched 200 days or more: 4 re-leaks and 2 competing ends by day 90, 1 re-leak more by 180."""
    episodes = make(
        *[("re-leak", 20 + i) for i in range(4)],
        *[("competing", 60 + i) for i in range(2)],
        ("re-leak", 150),
        *[("censored", 200 + i) for i in range(13)],
    )
    table = recurrence(episodes, rules=rules)
    assert at(table, 90)["rate"] == pytest.approx(4 / 20)
    assert at(table, 90)["standard_error"] == pytest.approx(np.sqrt(0.2 * 0.8 / 20))
    counts = [at(table, 180)[name] for name in ("n", "events", "competing", "at_risk", "reason")]
    assert counts == [20, 5, 2, 13, None]
    assert at(table, 180)["rate"] == pytest.approx(5 / 20)
    assert at(table, 365)["rate"] is None
    assert at(table, 365)["reason"] == "not watched that long: 212 days at most"
    assert at(table, 10_000, "km")["rate"] == pytest.approx(5 / 20)


def test_the_worst_groups_are_not_hidden(make, rules):
    """Twenty of twenty leaked by day 29: the share at any later day is all, with the exact limit 0.025^(1/20)."""
    table = recurrence(make(*[("re-leak", 10 + i) for i in range(20)]), rules=rules)
    for horizon in rules.horizons_days:
        row = at(table, horizon)
        assert (row["rate"], row["high"], row["reason"]) == (1.0, 1.0, None)
        assert row["low"] == pytest.approx(0.83157, abs=1e-5)
    twins = [{"status": "re-leak", "days": 10 + i, "vehicle_id": f"v{i // 2}"} for i in range(20)]
    assert at(recurrence(make(*twins), rules=rules), 90)["low"] == pytest.approx(0.69150, abs=1e-5)


def test_repairs_of_one_vehicle_say_nothing_of_others(make, rules):
    episodes = make(*[("re-leak", 100 + i) for i in range(4)], *[("censored", 400)] * 8, vehicle_id="v")
    row = at(recurrence(episodes, rules=rules), 180)
    assert (row["rate"], row["reason"]) == (None, "too few to say: too few vehicles")
    assert recurrence_curve(episodes, rules=rules).is_empty()


def test_a_group_in_which_everything_ended_is_known_from_then_on(make, rules):
    ended = [("re-leak", 5)] * 6 + [("competing", 20)] * 14
    assert at(recurrence(make(*ended), rules=rules), 730)["rate"] == pytest.approx(0.3)
    one_watched = at(recurrence(make(*ended, ("censored", 25)), rules=rules), 730)
    assert (one_watched["rate"], one_watched["reason"]) == (None, "not watched that long: 25 days at most")


def test_a_group_agrees_with_the_estimator_on_its_own_episodes(fleet, rules):
    own = fleet.filter(engine_family="F2", site="east")
    table = recurrence(fleet, rules=rules).filter(
        engine_family="F2", repair_method="", site="east", time_scale="days", horizon=365.0
    )
    cause = own["status"].replace_strict({"censored": 0, "re-leak": 1, "competing": 2})
    risk = risk_table(own["days"], cause)
    clusters = vehicle_clusters(risk, own["vehicle_id"].rank("dense"))
    curve = aalen_johansen(risk, clusters=clusters, reach=clustered_reach(effective_clusters(clusters, 1)))
    for name, values in (("rate", curve.incidence), ("low", curve.low), ("standard_error", curve.standard_error)):
        assert_allclose(table[name].to_numpy(), value_at(risk, values, 365.0, initial=0.0)[0], rtol=1e-10)


@pytest.mark.parametrize(
    ("leaks", "dry", "reason"),
    [
        (3, [400] * 6, "too few to say: 9 episodes, 3 re-leaks"),
        (1, [400] * 5, "too few to say: 6 episodes, 1 re-leak"),
        (2, [400] * 40, "too few to say: 42 episodes, 2 re-leaks"),
        (8, [29] * 9 + [400], None),
        (8, [29] * 30, "not watched that long: 29 days at most"),
        (3, [30] * 10, None),
    ],
)
def test_a_rate_needs_enough_episodes_and_re_leaks(make, rules, leaks, dry, reason):
    episodes = make(*[("re-leak", 5)] * leaks, *[("censored", days) for days in dry])
    row = at(recurrence(episodes, rules=rules), 30)
    assert row["reason"] == reason
    assert row["events"] == leaks
    assert all((row[name] is None) == (reason is not None) for name in ("rate", "low", "high", "standard_error"))


def test_episodes_of_one_vehicle_widen_the_interval(make, rules):
    rows = [("re-leak", 5)] * 20 + [("censored", 400)] * 40
    apart = at(recurrence(make(*rows), rules=rules), 90)
    together = [{"status": s, "days": d, "vehicle_id": f"v{i // 5}"} for i, (s, d) in enumerate(rows)]
    shared = at(recurrence(make(*together), rules=rules), 90)
    assert shared["rate"] == apart["rate"]
    assert shared["standard_error"] == pytest.approx(apart["standard_error"] * np.sqrt(5))


def test_a_curve_is_exact_at_its_points_and_short(fleet, rules):
    table = recurrence_curve(fleet, rules=rules)
    counts = table.group_by("engine_family", "repair_method", "site", "time_scale").len()
    assert counts["len"].max() == 60
    drawn = table.filter(ALL, pl.col("time_scale") == "km")
    own = fleet.filter(pl.col("km").is_not_null())
    risk = risk_table(own["km"], own["status"].replace_strict({"censored": 0, "re-leak": 1, "competing": 2}))
    incidence = value_at(risk, aalen_johansen(risk).incidence, drawn["time"], initial=0.0)[0]
    survival = value_at(risk, kaplan_meier(risk).survival, drawn["time"], initial=1.0)[0]
    assert_allclose(drawn["recurrence"].to_numpy(), incidence, rtol=1e-10, atol=1e-15)
    assert_allclose(drawn["leak_free"].to_numpy(), survival, rtol=1e-10)
    assert np.diff(np.append(incidence, incidence[-1])).max() < 0.03


def test_a_curve_runs_from_zero_to_where_the_rates_end(fleet, rules):
    for (scale,), curves in recurrence_curve(fleet, rules=rules).group_by("time_scale"):
        watched = fleet.filter(pl.col(scale) <= max(rules.horizons(scale)))[scale].max()
        assert curves.filter(ALL)["time"].max() == watched
        for curve in curves.partition_by("engine_family", "repair_method", "site"):
            assert curve["time"][0] == 0
            assert curve["at_risk"].is_sorted(descending=True)
            assert curve["recurrence"].is_sorted()
            assert curve["recurrence"][-1] > 0


def test_a_curve_is_drawn_of_the_groups_that_have_a_rate(fleet, rules):
    """Whether a group is shown does not hang on how many are still watched, in the curve no more than in the rate."""
    keys = ["engine_family", "repair_method", "site", "time_scale"]
    last = pl.col("horizon") == pl.col("horizon").max().over("time_scale")
    enough = (pl.col("n") >= rules.min_episodes) & (pl.col("events") >= rules.min_events)
    rated = recurrence(fleet, rules=rules).filter(last).filter(enough).select(keys)
    assert recurrence_curve(fleet, rules=rules).select(keys).unique().sort(keys).equals(rated)


def test_a_curve_does_not_stop_half_way_where_all_leaked(make, rules):
    curve = recurrence_curve(make(*[("re-leak", 10 + i) for i in range(20)]), rules=rules)
    assert curve.filter(ALL, pl.col("time_scale") == "days")["recurrence"][-1] == 1


def test_a_curve_of_few_steps_keeps_them_all(make, rules):
    days = [20.0, 40.0, 40.0, 70.0]
    curve = recurrence_curve(make(*[("re-leak", d) for d in days], *[("censored", 100)] * 12), rules=rules).filter(
        ALL, pl.col("time_scale") == "days"
    )
    assert curve["time"].to_list() == [0.0, 20.0, 40.0, 70.0, 100.0]
    assert_allclose(curve["recurrence"].to_numpy(), np.array([0, 1, 3, 4, 4]) / 16)


def test_no_curve_of_too_few(make, rules):
    assert recurrence_curve(make(*[("re-leak", 5)] * 2, *[("censored", 90)] * 30), rules=rules).is_empty()
    assert recurrence_curve(make(*[("re-leak", 5)] * 4, *[("censored", 90)] * 5), rules=rules).is_empty()
