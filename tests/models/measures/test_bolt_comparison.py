import numpy as np
import polars as pl
import pytest

from models.measures import bolt_comparison, recurrence

WITHOUT, WITH = "gasket_and_seals", "gasket_seals_bolts"


def kind(method, leaks, dry, **same):
    return [
        {"repair_method": method, "status": "re-leak" if i < leaks else "censored", "days": 20 if i < leaks else 800}
        | same
        for i in range(leaks + dry)
    ]


def at(table, horizon=365.0, family=""):
    return table.filter(engine_family=family, horizon=horizon).row(0, named=True)


def test_a_difference_by_hand(make, rules):
    """25 of 100 against 5 of 100: 0.20; of 200 vehicles: Student's t of 199 degrees, 1.971957."""
    row = at(bolt_comparison(make(*kind(WITHOUT, 25, 75), *kind(WITH, 5, 95)), rules=rules))
    spread = 1.971957 * np.sqrt(200 / 199) * np.sqrt(0.25 * 0.75 / 100 + 0.05 * 0.95 / 100)
    assert [row[name] for name in ("spared", "low", "high")] == pytest.approx([0.2, 0.2 - spread, 0.2 + spread])
    assert [row[name] for name in ("n_without", "n_with", "events_without", "events_with")] == [100, 100, 25, 5]
    assert row["reason"] is None


def test_vehicles_that_had_both_kinds_are_paired(make, rules):
    """Fifty vehicles with one repair of each kind; leaked both ways 10, without bolts only 12, with bolts only 3.

    Agresti, Categorical Data Analysis, 2nd ed. (2002), section 10.1.1: the variance of a difference of paired
    proportions is (b + c - (b - c)^2 / n) / n^2. Taken as independent it would be 0.0923 instead of 0.0727.
    """
    answers = [(True, True)] * 10 + [(True, False)] * 12 + [(False, True)] * 3 + [(False, False)] * 25
    rows = [
        {"vehicle_id": f"v{vehicle:02}", "repair_method": method, "status": "re-leak" if leaked else "censored"}
        | {"days": 20 if leaked else 800}
        for vehicle, pair in enumerate(answers)
        for method, leaked in zip((WITHOUT, WITH), pair, strict=True)
    ]
    row = at(bolt_comparison(make(*rows), rules=rules))
    assert row["spared"] == pytest.approx((12 - 3) / 50)
    assert row["standard_error"] == pytest.approx(np.sqrt((12 + 3 - (12 - 3) ** 2 / 50) / 50**2))


def test_its_rates_are_those_published(fleet, rules):
    compared = bolt_comparison(fleet, rules=rules)
    published = recurrence(fleet, rules=rules).filter(site="", time_scale="days")
    for side, method in (("without", WITHOUT), ("with", WITH)):
        rates = compared.select("engine_family", "horizon").join(
            published.filter(repair_method=method), on=["engine_family", "horizon"], maintain_order="left"
        )
        assert compared[f"rate_{side}"].to_list() == pytest.approx(rates["rate"].to_list(), abs=1e-12)
        assert compared[f"n_{side}"].equals(rates["n"], check_names=False)
        assert compared[f"events_{side}"].equals(rates["events"], check_names=False)
    assert compared["spared"].null_count() < len(compared)


def test_families_with_one_kind_only_are_left_out(make, rules):
    rows = [*kind(WITHOUT, 5, 20), *kind(WITH, 4, 20), *kind(WITH, 9, 20, engine_family="F2")]
    table = bolt_comparison(make(*rows), rules=rules)
    assert table["engine_family"].unique().sort().to_list() == ["", "F1"]
    assert (at(table)["n_with"], at(table, family="F1")["n_with"]) == (53, 24)


@pytest.mark.parametrize(
    ("without", "with_bolts", "reason"),
    [
        ((5, 20), (2, 20), "with new bolts: too few to say: 22 episodes, 2 re-leaks"),
        (
            (1, 3),
            (0, 3),
            "without new bolts: too few to say: 4 episodes, 1 re-leak; "
            "with new bolts: too few to say: 3 episodes, 0 re-leaks",
        ),
    ],
)
def test_why_one_cannot_tell(make, rules, without, with_bolts, reason):
    row = at(bolt_comparison(make(*kind(WITHOUT, *without), *kind(WITH, *with_bolts)), rules=rules))
    assert row["reason"] == reason
    assert [row[name] for name in ("spared", "low", "high", "standard_error", "rate_with")] == [None] * 5


def test_a_horizon_nobody_was_watched_to_has_no_difference(make, rules):
    rows = pl.concat([make(*kind(WITHOUT, 5, 20)), make(*kind(WITH, 5, 20), days=400)])
    short = rows.with_columns(pl.when(status="censored").then(100.0).otherwise("days").alias("days"))
    row = at(bolt_comparison(short, rules=rules))
    assert row["reason"].startswith("without new bolts: not watched that long: 100 days at most; with new bolts: not")
