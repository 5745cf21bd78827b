import numpy as np
import polars as pl
import pytest

from models.measures import comeback_shares
from models.settings import EpisodeRules

WINDOW = EpisodeRules(comeback_days=90, comeback_km=5_000)


def of_all(episodes, rules):
    return comeback_shares(episodes, rules=rules, window=WINDOW).filter(attribute="").row(0, named=True)


def test_repairs_lost_from_sight_early_do_not_make_the_share_look_worse(make, rules):
    """Four of forty leak at day 10, twenty of the others are lost from sight at day 40, two more leak at day 60.

    By hand: 4/40 + 36/40 x 2/16 = 0.2125. Of those watched through the window or leaked, 6/20 = 0.3 would be said.
    """
    episodes = make(*[("re-leak", 10)] * 4, *[("censored", 40)] * 20, *[("re-leak", 60)] * 2, *[("censored", 200)] * 14)
    row = of_all(episodes, rules)
    assert row["rate"] == pytest.approx(0.2125)
    assert row["low"] < row["rate"] < row["high"]
    assert [row[name] for name in ("n", "events", "competing", "at_risk", "reason")] == [40, 6, 0, 14, None]


def test_a_competing_end_takes_the_chance_of_a_comeback_away(make, rules):
    episodes = make(*[("competing", 5)] * 10, *[("re-leak", 20)] * 5, *[("censored", 300)] * 5)
    row = of_all(episodes, rules)
    assert (row["rate"], row["competing"]) == (pytest.approx(5 / 20), 10)


def test_the_window_ends_by_days_or_by_distance(make, rules):
    """A re-leak on the last day, on the last kilometre, beyond either, and within the days without a distance."""
    ends = [(90, 100), (5, 5_000), (91, 100), (5, 5_001), (30, None), (90, None), (91, None)]
    leaked = [{"status": "re-leak", "days": days, "km": km} for days, km in ends]
    watched = [{"status": "censored", "days": 400, "km": 20_000}] * 20
    row = of_all(make(*leaked, *watched), rules)
    assert row["events"] == 4
    assert row["rate"] == pytest.approx(4 / 27)


def test_comebacks_of_one_vehicle_widen_the_interval(make, rules):
    rows = [("re-leak", 5)] * 20 + [("censored", 400)] * 40
    apart = of_all(make(*rows), rules)
    shared = of_all(
        make(*[{"status": s, "days": d, "vehicle_id": f"v{i // 5}"} for i, (s, d) in enumerate(rows)]), rules
    )
    assert shared["rate"] == apart["rate"]
    assert shared["standard_error"] == pytest.approx(apart["standard_error"] * np.sqrt(5))


def test_every_attribute_counts_every_repair_once(fleet, rules):
    flagged = fleet.with_columns(has_new_bolts=pl.col("repair_method") == "gasket_seals_bolts")
    table = comeback_shares(flagged, rules=rules, window=WINDOW)
    totals = table.group_by("attribute").agg(pl.sum("n", "events"))
    assert set(totals["n"]) == {len(fleet)}
    assert totals["events"].n_unique() == 1
    bolts = table.filter(attribute="has_new_bolts")
    assert bolts["attribute_value"].to_list() == ["no", "yes"]
    assert bolts["n"][1] == flagged["has_new_bolts"].sum()


@pytest.mark.parametrize(
    ("leaks", "dry", "reason"),
    [
        (2, [400] * 30, "too few to say: 32 episodes, 2 comebacks"),
        (3, [80] * 30, "not watched through the comeback window"),
        (3, [80] * 30 + [400], None),
    ],
)
def test_a_share_needs_enough_comebacks_and_a_watched_window(make, rules, leaks, dry, reason):
    row = of_all(make(*[("re-leak", 5)] * leaks, *[("censored", days) for days in dry]), rules)
    assert row["reason"] == reason
    assert all((row[name] is None) == (reason is not None) for name in ("rate", "low", "high", "standard_error"))
