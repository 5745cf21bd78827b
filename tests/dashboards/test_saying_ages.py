"""What the figures of ageing engines and of the two clocks say, and "cannot tell yet" where they allow nothing."""

import polars as pl

from dashboards.pages.comparing.ageing import with_twice_the_age, worse_with_age
from dashboards.pages.comparing.timing import detection_against_leak


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


def test_without_a_life_by_either_clock_one_cannot_tell_how_long_a_leak_goes_unseen() -> None:
    for tenths in ({}, {"detection": {"b10": 210.0}, "leak": {"b10": None}}):
        assert detection_against_leak(READ.head(1), tenths).startswith("By day 180, 10% (5.0% to 15%)")
        assert detection_against_leak(READ, tenths).endswith("Cannot tell yet how long a leak goes unseen.")
