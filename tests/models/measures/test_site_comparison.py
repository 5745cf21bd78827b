import pytest

from models.measures import site_comparison


def test_expected_and_observed_agree_over_the_fleet(fleet, rules):
    table = site_comparison(fleet, rules=rules)
    assert table["site"].to_list() == sorted(fleet["site"].unique())
    assert table["expected"].sum() == pytest.approx(table["observed"].sum(), rel=1e-12)
    assert table["observed"].sum() == (fleet["status"] == "re-leak").sum()
    assert table["n"].sum() == len(fleet)


def test_a_small_site_shows_its_counts_only(fleet, rules):
    small = site_comparison(fleet, rules=rules).filter(site="yard").row(0, named=True)
    assert small["n"] < rules.min_episodes
    assert small["reason"].startswith("too few to say: ")
    assert [small[name] for name in ("ratio", "low", "shrunk_ratio", "funnel_low_95", "q_value")] == [None] * 5


def test_a_bad_site_stands_out(make, rules):
    """Same engines and method; one of five sites leaks at 100 days, the others hold 500."""
    rows = [
        {"site": site, "status": "re-leak" if i % 2 else "censored", "days": 100.0 if site == "east" else 500.0 + i}
        for site in ("east", "north", "south", "west", "yard")
        for i in range(60)
    ]
    table = site_comparison(make(*rows), rules=rules)
    bad, good = (table.filter(site=name).row(0, named=True) for name in ("east", "west"))
    assert bad["low"] > 1 > good["ratio"]
    assert bad["ratio"] > bad["funnel_high_998"] > bad["funnel_high_95"] > 1
    assert bad["q_value"] < 0.001 < good["q_value"]
    assert good["ratio"] < bad["shrunk_ratio"] < bad["ratio"]
    assert bad["shrunk_low"] < bad["shrunk_ratio"] < bad["shrunk_high"]


def test_a_site_without_re_leaks_where_many_were_expected_is_compared(make, rules):
    rows = [
        {"site": site, "status": "re-leak" if site != "north" and i % 2 else "censored", "days": 100.0 + i}
        for site in ("east", "north", "west")
        for i in range(40)
    ]
    dry = site_comparison(make(*rows), rules=rules).filter(site="north").row(0, named=True)
    assert (dry["observed"], dry["ratio"], dry["low"]) == (0, 0.0, 0.0)
    assert dry["expected"] > 5
    assert dry["high"] < 1


def test_alike_sites_are_not_given_a_spread(make, rules):
    rows = [
        {"site": site, "status": "re-leak" if i % 2 else "censored", "days": 100.0 + i}
        for site in ("east", "north", "west")
        for i in range(40)
    ]
    table = site_comparison(make(*rows), rules=rules)
    assert table["shrunk_ratio"].to_list() == pytest.approx([1.0] * 3)
    assert table["shrunk_low"].null_count() == 3
    assert set(table["reason"]) == {"no shrinkage: they differ no more than chance would have them"}


def test_two_sites_that_differ_widely_are_not_called_alike(make, rules):
    rows = [
        {"site": site, "status": "re-leak" if i % share == 0 else "censored", "days": 100.0 + i}
        for site, share in (("east", 1), ("west", 10))
        for i in range(40)
    ]
    table = site_comparison(make(*rows), rules=rules)
    assert table["ratio"].max() / table["ratio"].min() > 5
    assert table["shrunk_ratio"].to_list() == [None, None]
    assert set(table["reason"]) == {"no shrinkage: 2 are too few to tell a spread"}
