from datetime import date

import numpy as np
import pytest

from models.measures import site_comparison


@pytest.fixture
def compare(fitted, rules):
    """The comparison in days."""

    def build(episodes):
        return site_comparison(episodes, fitted(episodes), rules=rules).filter(time_scale="days")

    return build


def test_expected_and_observed_agree_over_the_fleet(fleet, compare):
    table = compare(fleet)
    assert table["site"].to_list() == sorted(fleet["site"].unique())
    assert table["expected"].sum() == pytest.approx(table["observed"].sum(), rel=1e-9)
    assert table["crude_expected"].sum() == pytest.approx(table["observed"].sum(), rel=1e-9)
    assert table["observed"].sum() == (fleet["status"] == "re-leak").sum()
    assert table["n"].sum() == len(fleet)


def test_a_small_site_shows_its_counts_only(fleet, compare, rules):
    small = compare(fleet).filter(site="yard").row(0, named=True)
    assert small["n"] < rules.min_episodes
    assert small["reason"].startswith("too few to say: ")
    assert [small[name] for name in ("ratio", "low", "shrunk_ratio", "funnel_low_95", "q_value")] == [None] * 5


def test_a_bad_site_stands_out(make, compare):
    """Same engines and method; one of five sites leaks at 100 days, the others hold 500."""
    rows = [
        {"site": site, "status": "re-leak" if i % 2 else "censored", "days": 100.0 if site == "east" else 500.0 + i}
        for site in ("east", "north", "south", "west", "yard")
        for i in range(60)
    ]
    table = compare(make(*rows))
    bad, good = (table.filter(site=name).row(0, named=True) for name in ("east", "west"))
    assert bad["low"] > 1 > good["ratio"]
    assert bad["ratio"] > bad["funnel_high_998"] > bad["funnel_high_95"] > 1
    assert bad["q_value"] < 0.001 < good["q_value"]
    assert good["ratio"] < bad["shrunk_ratio"] < bad["ratio"]
    assert bad["shrunk_low"] < bad["shrunk_ratio"] < bad["shrunk_high"]


def test_a_site_without_re_leaks_where_many_were_expected_is_compared(make, compare):
    rows = [
        {"site": site, "status": "re-leak" if site != "north" and i % 2 else "censored", "days": 100.0 + i}
        for site in ("east", "north", "west")
        for i in range(40)
    ]
    dry = compare(make(*rows)).filter(site="north").row(0, named=True)
    assert (dry["observed"], dry["ratio"], dry["low"]) == (0, 0.0, 0.0)
    assert dry["expected"] > 5
    assert dry["high"] < 1


def test_alike_sites_are_not_given_a_spread(make, compare):
    rows = [
        {"site": site, "status": "re-leak" if i % 2 else "censored", "days": 100.0 + i}
        for site in ("east", "north", "west")
        for i in range(40)
    ]
    table = compare(make(*rows))
    assert table["shrunk_ratio"].to_list() == pytest.approx([1.0] * 3)
    assert table["shrunk_low"].null_count() == 3
    assert set(table["reason"]) == {"no shrinkage: they differ no more than chance would have them"}


def test_two_sites_that_differ_widely_are_not_called_alike(make, compare):
    rows = [
        {"site": site, "status": "re-leak" if i % share == 0 else "censored", "days": 100.0 + i}
        for site, share in (("east", 1), ("west", 10))
        for i in range(40)
    ]
    table = compare(make(*rows))
    assert table["ratio"].max() / table["ratio"].min() > 5
    assert table["shrunk_ratio"].to_list() == [None, None]
    assert set(table["reason"]) == {"no shrinkage: 2 are too few to tell a spread"}


def _watched(random, hazard_per_day, **row):
    """A repair watched for up to 600 days under a constant hazard."""
    leak, watched = random.exponential(1 / hazard_per_day), random.uniform(200, 600)
    return row | {"status": "re-leak" if leak < watched else "censored", "days": float(min(leak, watched))}


def test_what_the_adjustment_did_is_shown_beside_the_crude_ratio(make, compare):
    """Drawn so: the east works no worse, it is sent the harder engines; the west works 1.8 times worse."""
    random = np.random.default_rng(5)
    rows = []
    for site, work, hard in (("east", 1.0, 0.9), ("north", 1.0, 0.2), ("west", 1.8, 0.2), ("yard", 1.0, 0.2)):
        for _ in range(800):
            family = "hard" if random.uniform() < hard else "plain"
            hazard = 0.001 * work * (2.5 if family == "hard" else 1.0)
            rows.append(_watched(random, hazard, site=site, engine_family=family))
    east, north, west, _ = compare(make(*rows)).rows(named=True)
    assert east["crude_low"] > 1.1, "crude, it looks worse"
    assert west["ratio"] / east["ratio"] == pytest.approx(1.8, rel=0.12)
    assert north["ratio"] / east["ratio"] == pytest.approx(1.0, rel=0.12)
    assert west["q_value"] < 0.001


def test_a_site_with_old_engines_is_not_blamed_for_their_age(make, fitted, rules):
    """Drawn with a hazard that grows by a fifth a year of age; the east's engines are some three years older."""
    random = np.random.default_rng(6)
    rows, days = [], {}
    for site, oldest in (("east", 2012), ("north", 2015)):
        for i in range(900):
            vehicle, fitted_in = f"{site}{i}", oldest + int(random.integers(8))
            days[vehicle] = date(fitted_in, 1, 1)
            rows.append(_watched(random, 0.0005 * 1.2 ** (2024 - fitted_in), site=site, vehicle_id=vehicle))
    episodes = make(*rows)
    east, north = (
        site_comparison(episodes, fitted(episodes, **days), rules=rules).filter(time_scale="days").rows(named=True)
    )
    assert east["crude_low"] > 1.1
    assert east["ratio"] / north["ratio"] == pytest.approx(1.0, rel=0.12)
    without = site_comparison(episodes, fitted(episodes), rules=rules).filter(time_scale="days", site="east")
    assert without["low"].item() > 1.1, "all of one age: nothing to allow for"


def test_sites_are_compared_in_kilometres_too(fleet, fitted, rules):
    table = site_comparison(fleet, fitted(fleet), rules=rules)
    km = table.filter(time_scale="km")
    assert km["n"].sum() == fleet["km"].drop_nulls().len()
    assert km["expected"].sum() == pytest.approx(km["observed"].sum(), rel=1e-9)
    assert table.rows() == site_comparison(fleet.reverse(), fitted(fleet), rules=rules).rows()


def test_a_few_bad_vehicles_are_not_taken_for_bad_work(make, compare):
    """Three vehicles of the east leak again at each of twelve repairs; as many re-leaks of single vehicles tell."""
    others = ("north", "south", "west", "yard", "quay")
    rows = [
        {"site": site, "status": "censored", "days": 400.0 + i, "vehicle_id": f"{site}{i % 40}"}
        for site in ("east", *others)
        for i in range(160)
    ]
    rows += [
        {"site": site, "status": "re-leak", "days": 100.0 + i, "vehicle_id": f"bad {site}{i % 12}"}
        for site in others
        for i in range(12)
    ]
    clumped, single = (
        [
            {"site": "east", "status": "re-leak", "days": 100.0 + i, "vehicle_id": f"bad east{i % vehicles}"}
            for i in range(36)
        ]
        for vehicles in (3, 36)
    )
    few, many = (compare(make(*rows, *east)).filter(site="east").row(0, named=True) for east in (clumped, single))
    assert few["ratio"] == pytest.approx(many["ratio"])
    assert few["exact_low"] == pytest.approx(many["exact_low"])
    assert few["dispersion"] > 3 * many["dispersion"]
    assert few["low"] < 1 < many["low"]
    assert few["q_value"] > 0.05 > many["q_value"]
    assert few["funnel_high_998"] > few["ratio"] > many["funnel_high_998"]
