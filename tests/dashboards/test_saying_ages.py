"""What the figures of ageing engines and of the two clocks say, and "cannot tell yet" where they allow nothing."""

from typing import Any

import polars as pl
import pytest

from dashboards.pages.comparing.ageing import with_twice_the_age, worse_with_age
from dashboards.pages.comparing.timing import detection_against_leak, timing_choices, two_shares


def trends(*rows: tuple[str, float | None, float | None, float | None]) -> pl.DataFrame:
    schema = {"engine_family": pl.String, "laplace": pl.Float64, "q_value": pl.Float64, "shape": pl.Float64}
    frame = pl.DataFrame(rows, schema=schema, orient="row")
    limits = {"low": pl.col("shape") * 0.9, "high": pl.col("shape") * 1.1}
    return with_twice_the_age(frame.with_columns(**limits))


def test_families_that_worsen_are_told_from_those_one_cannot_tell_of() -> None:
    said = worse_with_age(
        trends(
            ("", 9.0, 0.0, None),
            ("A", 3.0, 0.01, 2.0),
            ("B", -3.0, 0.02, 0.5),
            ("C", 1.0, 0.3, 1.5),
            ("D", *[None] * 3),
        )
    )
    assert said.startswith("Getting worse with age: A, at twice the age 2.0 times as often (1.7 to 2.3).")
    assert "Getting better with age: B, at twice the age 0.7 times as often" in said
    assert "Cannot tell yet of C:" in said
    assert said.endswith("Too few to say: D.")


def test_a_trend_without_a_power_law_is_named_without_a_pace() -> None:
    assert worse_with_age(trends(("A", 3.0, 0.01, None))) == "Getting worse with age: A."


def test_nothing_is_said_of_families_with_too_few_repairs() -> None:
    assert worse_with_age(trends(("", 3.0, 0.01, None), ("A", None, None, None))).startswith("Cannot tell yet")


READ = pl.DataFrame(
    {
        "time": [180.0, 365.0, 730.0],
        "detected": [0.1, 0.2, 0.3],
        "detected_low": [0.05, 0.15, 0.2],
        "detected_high": [0.15, 0.25, 0.4],
        "begun_least": [0.15, 0.25, 0.35],
        "begun_most": [0.15, 0.3, 0.35],
    }
)


def test_both_clocks_are_read_at_a_year_and_told_apart() -> None:
    said = detection_against_leak(READ, {"detection": {"b10": 210.0}, "leak": {"b10": 116.0}})
    assert said == (
        "By day 365, 20% (15% to 25%) had been found to leak and 25% to 30% had begun to. One in ten is found leaking "
        "by day 210 and has begun to by day 116."
    )


def test_where_no_horizon_lies_within_a_year_the_longest_is_read() -> None:
    assert detection_against_leak(READ.tail(1), {}).startswith("By day 730, 30% (20% to 40%)")


def test_the_two_shares_of_all_repairs_are_set_side_by_side_at_the_last_horizon_both_have() -> None:
    everyone = {"engine_family": pl.lit(""), "repair_method": pl.lit("")}
    recurrence = pl.DataFrame({"horizon": [180.0, 365.0, 730.0], "rate": [0.09, 0.18, None]})
    recurrence = recurrence.with_columns(**everyone, site=pl.lit(""), time_scale=pl.lit("days"))
    said = two_shares(READ.with_columns(**everyone), recurrence)
    assert said.startswith(
        "By day 365, 20% of all repairs are found to leak here and 18% leaked again in the tables above: "
    )
    assert two_shares(READ.with_columns(**everyone), recurrence.tail(1)) == ""


CURVE_LEFT = "Weibull: the fitted curve leaves the observed one"


@pytest.mark.parametrize(
    ("tenths", "why"),
    [
        ({}, "too few to say"),
        ({"detection": {"b10": 210.0}, "leak": {"b10": None, "reason": CURVE_LEFT}}, CURVE_LEFT),
        ({"detection": {"b10": None, "reason": CURVE_LEFT}, "leak": {"b10": 116.0}}, CURVE_LEFT),
        ({"detection": {"b10": 210.0}, "leak": {"b10": 230.0}}, "the two fitted curves cross"),
    ],
)
def test_where_the_clocks_cannot_be_told_apart_it_is_said_why(tenths: dict[str, dict[str, Any]], why: str) -> None:
    assert detection_against_leak(READ.head(1), tenths).startswith("By day 180, 10% (5.0% to 15%)")
    assert detection_against_leak(READ, tenths).endswith(f"Cannot tell yet how long a leak goes unseen ({why}).")


def test_a_missing_day_of_either_clock_has_its_reason_in_its_place() -> None:
    curve = READ.with_columns(
        engine_family=pl.lit(""), repair_method=pl.lit(""), begun_low=0.1, begun_high=0.4, at_risk=pl.lit(20)
    )
    life = {"engine_family": "", "repair_method": "", "b10": 116.0, "b10_low": 81.0, "b10_high": 160.0, "reason": None}
    none = {"b10": None, "b10_low": None, "b10_high": None, "reason": CURVE_LEFT}
    lives = pl.DataFrame([life | {"clock": "leak"}, life | none | {"clock": "detection"}])
    (choice,) = timing_choices(curve, lives, horizons=(180.0, 365.0), level="95% interval")
    assert choice.table.rows[-1].cells == ("one in ten (Weibull)", CURVE_LEFT, "day 116 (81 to 160)", "", "")
