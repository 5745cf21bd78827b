"""Repairs for leaks by an engine's age, and whether they come ever more often."""

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from models.measures import repair_trends, repairs_by_age
from models.measures.behind import Selection, episodes_behind
from models.measures.engine_watch import leak_repairs, repair_days, watched_engines
from models.settings import MeasureRules, Settings
from models.tables.ledger import EnginePeriods, LastRecords

FITTED = date(2020, 1, 1)
ONE_IS_ENOUGH = MeasureRules(min_episodes=1, min_events=1)


def day(age):
    return FITTED + timedelta(days=age)


def periods(*rows):
    filled = [
        {"engine_family": "F1", "to_on": None} | dict(zip(("vehicle_id", "engine_id"), row, strict=False)) | row[2]
        for row in rows
    ]
    return pl.DataFrame(filled, schema={name: column.dtype for name, column in EnginePeriods.columns().items()})


def records(**seen):
    rows = [{"vehicle_id": vehicle, "first_on": day(a), "last_on": day(b)} for vehicle, (a, b) in seen.items()]
    schema = {name: LastRecords.columns()[name].dtype for name in ("vehicle_id", "first_on", "last_on")}
    return pl.DataFrame(rows, schema=schema)


@pytest.fixture
def three(make):
    """Three engines: A watched from age 0 to 100, B from 40 to 100, C from 0 to 60."""
    fleet = periods(*((name, name, {"from_on": FITTED}) for name in "ABC"))
    seen = records(A=(-9, 100), B=(40, 100), C=(0, 60))
    repairs = [("A", 20), ("A", 80), ("B", 40), ("B", 50), ("C", 50), ("C", 61)]
    made = [{"vehicle_id": name, "status": "censored", "days": 1.0, "repaired_on": day(age)} for name, age in repairs]
    return make(*made), fleet, seen


def test_mean_number_of_repairs_by_hand(three):
    """1/2 at 20, B's at 40 began its watch, 2/3 at 50, C's at 61 came after its watch, 1/2 at 80."""
    found = repairs_by_age(*three, rules=ONE_IS_ENOUGH).filter(engine_family="F1")
    assert (found["age_years"] * 365.25).to_list() == pytest.approx([0, 20, 50, 80, 100])
    assert found["repairs"].to_list() == pytest.approx([0, 1 / 2, 7 / 6, 5 / 3, 5 / 3])
    assert found["watched"].to_list()[1:] == [2, 3, 2, 2]
    assert found["events"].to_list() == [0, 1, 3, 4, 4]
    assert (found["low"] <= found["repairs"]).all()
    assert (found["repairs"] <= found["high"]).all()


def test_counting_keeps_to_the_ages_at_which_enough_engines_were_watched(three):
    rules = MeasureRules(min_episodes=3, min_events=1)
    found = repairs_by_age(*three, rules=rules).filter(engine_family="F1")
    assert found["since_years"].unique().to_list() == pytest.approx([40 / 365.25])
    assert (found["age_years"] * 365.25).to_list() == pytest.approx([40, 50, 60])
    assert found["repairs"].to_list() == pytest.approx([0, 2 / 3, 2 / 3])
    assert repairs_by_age(*three, rules=MeasureRules(min_episodes=4)).is_empty()


def test_only_leaks_count_and_both_covers_of_a_day_once(make):
    fleet, seen = periods(("A", "A", {"from_on": FITTED})), records(A=(0, 100))
    both = {"vehicle_id": "A", "status": "censored", "days": 1.0, "repaired_on": day(10)}
    made = make(both | {"cover_position": "left"}, both | {"cover_position": "right"}, both | {"occasion": "routine"})
    assert repair_days(leak_repairs(made, watched_engines(fleet, seen))).height == 1
    behind = episodes_behind(
        "repair_trends",
        {"episodes": made, "engine_periods": fleet, "last_records": seen},
        Selection(),
        settings=Settings(measures=ONE_IS_ENOUGH),
    )
    assert behind["adds"].to_list() == [0.5, 0.5]


def test_an_engine_is_watched_only_while_it_is_in_the_vehicle(three):
    swapped = periods(
        ("A", "old", {"from_on": FITTED, "to_on": day(30)}), ("A", "new", {"from_on": day(30), "to_on": None})
    )
    watched = watched_engines(swapped, three[2])
    assert watched.select("engine_id", "begin_days", "end_days").rows() == [("new", 0, 70), ("old", 0, 30)]


def ageing(make, shape, *, engines, seed, runs=False):
    """Engines watched for four of their first twelve years, repaired at a power of their age; in runs, twice each."""
    random = np.random.default_rng(seed)
    rows, seen = [], {}
    for number in range(engines):
        name, begin = f"v{number:03}", int(random.integers(0, 3000))
        seen[name] = (begin, begin + 1461)
        low, high = (begin / 4383) ** shape, ((begin + 1461) / 4383) ** shape
        for reached in random.uniform(low, high, random.poisson(4.0 * (high - low))):
            age = int(4383 * reached ** (1 / shape))
            ages = [age, min(age + int(random.integers(5, 60)), begin + 1461)] if runs else [age]
            rows += [{"vehicle_id": name, "status": "censored", "days": 1.0, "repaired_on": day(each)} for each in ages]
    fleet = periods(*((name, name, {"from_on": FITTED}) for name in seen))
    return make(*rows), fleet, records(**seen)


def test_a_true_trend_is_found_and_its_shape_lies_in_the_limits(rules, make):
    found = repair_trends(*ageing(make, 2.0, engines=150, seed=3), rules=rules).row(1, named=True)
    assert found["engine_family"] == "F1"
    assert found["low"] < 2.0 < found["high"]
    assert found["low"] > 1.0
    assert found["q_value"] == found["robust_p"] < 0.05
    assert found["mil_hdbk_189"] is None
    assert "MIL-HDBK-189" in found["reason"]


def test_repairs_that_are_the_last_that_was_heard_of_an_engine_are_no_trend(rules, make):
    """Thirty engines repaired evenly, and as many whose one repair is their last record: it ended the watch."""
    even = [{"vehicle_id": f"e{n:02}", "repaired_on": day(100 + 30 * n)} for n in range(30)]
    last = [{"vehicle_id": f"l{n:02}", "repaired_on": day(1000)} for n in range(30)]
    made = make(*({"status": "censored", "days": 1.0} | row for row in even + last))
    names = [row["vehicle_id"] for row in even + last]
    seen = records(**dict.fromkeys(names, (0, 1000)))
    fleet = periods(*((name, name, {"from_on": FITTED}) for name in names))
    found = repair_trends(made, fleet, seen, rules=rules).row(1, named=True)
    assert found["events"] == 60
    assert found["laplace_p"] > 0.2


def test_comebacks_in_runs_are_no_trend(rules, make):
    """Of forty fleets without a trend, whose repairs come in pairs, about two have a robust p under 0.05."""
    p = [
        repair_trends(*ageing(make, 1.0, engines=60, seed=seed, runs=True), rules=rules)["robust_p"][1]
        for seed in range(40)
    ]
    assert np.mean(np.array(p) < 0.05) <= 0.125


def test_too_few_repairs_are_said_to_be(three, rules):
    found = repair_trends(*three, rules=rules)
    assert found["reason"].to_list() == ["too few to say: 3 engines, 4 repairs"] * 2
    assert found["robust_p"].null_count() == found["shape"].null_count() == 2


def test_what_the_repairs_add_sums_to_the_published_figures(make, rules):
    episodes, fleet, seen = ageing(make, 1.5, engines=80, seed=5)
    frames = {"episodes": episodes, "engine_periods": fleet, "last_records": seen}
    curve = repairs_by_age(*frames.values(), rules=rules).filter(engine_family="F1")
    for row in (curve.row(20, named=True), curve.row(-1, named=True)):
        selection = Selection(engine_family="F1", horizon=row["age_years"])
        behind = episodes_behind("repairs_by_age", frames, selection, settings=Settings())
        assert behind["adds"].sum() == pytest.approx(row["repairs"], rel=1e-9)
    trend = repair_trends(*frames.values(), rules=rules).filter(engine_family="F1")
    behind = episodes_behind("repair_trends", frames, Selection(engine_family="F1"), settings=Settings())
    assert behind["adds"].sum() == pytest.approx(trend["events"].item())
