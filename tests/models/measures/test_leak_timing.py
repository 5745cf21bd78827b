"""The same leaks by two clocks: when they were found, and when they began."""

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from models.measures import leak_timing, leak_timing_curve
from models.measures.behind import Selection, episodes_behind
from models.settings import MeasureRules, Settings

ALL = {"engine_family": "", "repair_method": ""}
ZERO = datetime(2024, 1, 1, 9, tzinfo=UTC)


def looked_at(make, *rows):
    """Episodes from (status, days, day of the last dry look)."""
    return make(
        *(
            {"status": status, "days": float(days), "repaired_at": ZERO, "last_dry_at": ZERO + timedelta(days=dry)}
            for status, days, dry in rows
        )
    )


def test_four_repairs_by_hand(make):
    """Found at 100, 200, 300; begun in (0, 100], (150, 200], (100, 300]; one dry to 400."""
    rows = looked_at(make, ("re-leak", 100, 0), ("re-leak", 200, 150), ("re-leak", 300, 100), ("censored", 400, 50))
    rules = MeasureRules(min_episodes=1, min_events=1, horizons_days=(520.0,))
    curve = leak_timing_curve(rows, rules=rules).filter(**ALL)
    at = {row["time"]: row for row in curve.to_dicts()}
    assert max(at) == 400
    assert [at[float(day)]["detected"] for day in (90, 100, 200, 300)] == pytest.approx([0, 0.25, 0.5, 0.75])
    assert [at[float(day)]["begun_least"] for day in (90, 100, 150, 200)] == pytest.approx([0, 0.25, 0.25, 0.75])
    assert [at[float(day)]["begun_most"] for day in (90, 100, 150, 160)] == pytest.approx([0.25, 0.25, 0.25, 0.75])


@pytest.fixture(scope="module")
def inspected(make):
    """Exponential leaks of mean 600 days, looked at every 120 days from a random day on; watched to 1,000."""
    random = np.random.default_rng(8)
    rows = []
    for leak, start in zip(random.exponential(600, 700), random.integers(0, 120, 700), strict=True):
        looks = np.arange(start, 1001, 120)
        dry, wet = looks[looks < leak], looks[looks >= leak]
        last = int(dry[-1]) if len(dry) else 0
        rows.append(("re-leak", max(int(wet[0]), 1), last) if len(wet) else ("censored", last, last))
    return looked_at(make, *rows)


def test_a_leak_begins_before_it_is_found_and_the_truth_lies_in_the_limits(inspected, rules):
    curve = leak_timing_curve(inspected, rules=rules).filter(**ALL)
    held = 0
    for row in curve.filter(pl.col("time").is_between(100, 700)).to_dicts():
        truth = 1 - np.exp(-row["time"] / 600)
        assert row["begun_least"] <= row["begun_most"]
        assert row["detected"] < truth
        held += row["begun_low"] <= truth <= row["begun_high"]
    assert held >= 0.8 * curve.filter(pl.col("time").is_between(100, 700)).height


def test_the_life_to_the_leak_is_shorter_and_right(inspected, rules):
    found = leak_timing(inspected, rules=rules).filter(**ALL)
    detection, leak = (found.filter(clock=clock).row(0, named=True) for clock in ("detection", "leak"))
    truth = 600 * -np.log(0.9)
    assert leak["b10_low"] < truth < leak["b10_high"]
    assert leak["b10"] < detection["b10"]
    assert leak["weibull_shape"] == pytest.approx(1.0, abs=0.15)


def test_family_and_method_stand_each_for_itself(fleet, rules):
    timing = leak_timing(fleet, rules=rules)
    assert timing.filter((pl.col("engine_family") != "") & (pl.col("repair_method") != "")).is_empty()
    assert timing.filter(clock="leak", repair_method="")["n"].sum() == 2 * fleet.height


def test_what_the_repairs_add_sums_to_the_published_figures(fleet, rules):
    for group in ({"engine_family": "F1"}, {"repair_method": "gasket"}, {}):
        curve = leak_timing_curve(fleet, rules=rules).filter(**ALL | group).row(-1, named=True)
        behind = episodes_behind(
            "leak_timing_curve", {"episodes": fleet}, Selection(**group, horizon=curve["time"]), settings=Settings()
        )
        assert behind["adds"].sum() == pytest.approx(curve["detected"], rel=1e-9)
        events = leak_timing(fleet, rules=rules).filter(**ALL | group)["events"][0]
        behind = episodes_behind("leak_timing", {"episodes": fleet}, Selection(**group), settings=Settings())
        assert behind["adds"].sum() == events
