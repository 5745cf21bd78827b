"""The sentences: what the numbers allow, and "cannot tell yet" where they allow nothing."""

from datetime import date

import polars as pl
import pytest

from dashboards import saying
from dashboards.pages.comparing.bolts import shown_horizon, with_worth
from dashboards.pages.comparing.effects import why_bolts_differ
from dashboards.wording import apart, reason_words


def groups(*rows: tuple[str, float | None, float | None, float | None]) -> pl.DataFrame:
    return pl.DataFrame(rows, schema=["label", "rate", "low", "high"], orient="row")


def test_groups_apart_are_named_with_their_intervals() -> None:
    said = saying.which_leaks_less(
        groups(("gasket", 0.1, 0.05, 0.16), ("re-tightened", 0.4, 0.3, 0.5)), horizon=365.0, unit="days"
    )
    assert said.startswith("Gasket came back less than re-tightened: 10% (5.0% to 16%) against 40% (30% to 50%)")
    assert "within 365 days; the intervals do not overlap" in said


@pytest.mark.parametrize(
    "frame",
    [
        groups(("gasket", 0.1, 0.05, 0.31), ("re-tightened", 0.4, 0.3, 0.5)),
        groups(("gasket", 0.1, 0.05, 0.16), ("re-tightened", None, None, None)),
        groups(("gasket", None, None, None)),
    ],
    ids=["overlap", "one known", "none known"],
)
def test_nothing_is_claimed_that_the_numbers_do_not_carry(frame: pl.DataFrame) -> None:
    frame = frame.cast({"rate": pl.Float64, "low": pl.Float64, "high": pl.Float64})
    assert saying.which_leaks_less(frame, horizon=365.0, unit="days").startswith("Cannot tell yet")


def test_the_longest_and_shortest_mean_are_named_and_the_plain_mean_is_put_in_its_place() -> None:
    means = pl.DataFrame(
        {
            "label": ["gasket", "GAN-V6"],
            "restricted_mean": [500.0, 650.0],
            "low": [450.0, 600.0],
            "high": [550.0, 690.0],
            "plain_mean_of_failed": [200.0, 210.0],
        }
    )
    said = saying.how_long_it_lasts(means, horizon=730.0, unit="days")
    assert said.startswith("GAN-V6 stayed dry longest, 650 (600 to 690) of the first 730 days; gasket shortest, 500")
    assert said.endswith("The plain mean of the failed, 210 days for GAN-V6, leaves out all that still hold.")
    wider = means.with_columns(high=pl.lit(690.0))
    assert saying.how_long_it_lasts(wider, horizon=730.0, unit="days").startswith("Cannot tell yet")


def site(name: str, ratio: float) -> dict[str, object]:
    limits = {"funnel_low_998": 0.5, "funnel_low_95": 0.65, "funnel_high_95": 1.35, "funnel_high_998": 1.6}
    return {"site": name, "ratio": ratio, "low": ratio * 0.7, "high": ratio * 1.4, "crude_ratio": ratio * 1.2, **limits}


def test_a_site_outside_the_funnel_is_named_with_the_other_explanation() -> None:
    said = saying.sites_against_expected(pl.DataFrame([site("Quay", 1.0), site("Hill", 2.0), site("Moor", 0.4)]))
    assert said.startswith("Re-leaks: Hill more and Moor fewer than luck explains, outside the 99.8% limits")
    assert "looks harder also finds more" in said
    assert saying.sites_against_expected(pl.DataFrame([site("Quay", 1.0)])).startswith("Cannot tell yet")


def test_the_adjusted_ratio_decides_over_the_crude_one() -> None:
    assert "which may be luck" in saying.crude_against_adjusted(pl.DataFrame([site("Quay", 1.0), site("Hill", 1.3)]))
    assert "that interval leaves out 1" in saying.crude_against_adjusted(pl.DataFrame([site("Hill", 2.0)]))


def test_one_stray_group_in_many_is_not_made_a_finding_of() -> None:
    shares = pl.DataFrame(
        {"label": ["gasket", "Quay"], "rate": [0.1, 0.3], "low": [0.05, 0.2], "high": [0.15, 0.4]},
    )
    said = saying.stands_apart(shares, fleet_share=0.12)
    assert said.startswith("Came back more often: Quay. With 2 groups shown, about one in twenty stands apart by luck")
    assert saying.stands_apart(shares.head(1), fleet_share=0.12).startswith("Cannot tell yet")


def compared(spared: float | None) -> pl.DataFrame:
    """A difference with a standard error of 0.05."""
    low, high = (None, None) if spared is None else (spared - 0.0979982, spared + 0.0979982)
    return pl.DataFrame(
        {"engine_family": [""], "spared": [spared], "low": [low], "high": [high]},
        schema_overrides=dict.fromkeys(("spared", "low", "high"), pl.Float64),
    )


def test_a_bolt_set_is_worth_the_leaks_it_spares() -> None:
    worth = with_worth(compared(0.20), unplanned_leak_cost=900.0).row(0, named=True)
    assert worth["worth"] == pytest.approx(180.0)
    assert worth["worth_low"] == pytest.approx(180.0 - 900 * 0.0979982)
    assert worth["worth_high"] == pytest.approx(180.0 + 900 * 0.0979982)


TIMES = "repairs with new bolts leak again 0.40 (0.20 to 0.80) times as often"


def bolts(left: tuple[float, float, float] | None, **other: object) -> pl.DataFrame:
    """What a set is worth by a year, and by two years nothing that is known."""
    figures = {"hazard_ratio": 0.4, "low": 0.2, "high": 0.8, "worth": 60.0, "worth_low": 20.0, "worth_high": 100.0}
    names = ("left_over", "left_over_low", "left_over_high")
    row = {"horizon": 365.0, "cost": 19.0, "cost_reason": None, "n_with": 60, "n_without": 90, "repairs_needed": 400}
    row |= figures | dict(zip(names, left or (None,) * 3, strict=True)) | other
    empty = dict.fromkeys((*figures, *names)) | {"horizon": 730.0}
    return pl.DataFrame([row, row | empty], infer_schema_length=None)


@pytest.mark.parametrize(
    ("worth", "said"),
    [
        (
            bolts((41.0, 1.0, 81.0)),
            f"Yes: on like engines, {TIMES}; within 365 days "
            "that spares 60 (20 to 100) EUR a repair, and a set costs 19 EUR more. 41 (1 to 81) EUR left over.",
        ),
        (bolts((-12.0, -22.0, -2.0)), "No: on like engines"),
        (
            bolts((41.0, -10.0, 92.0)),
            f"Cannot tell yet: on like engines, {TIMES}; within 365 days that spares 60 (20 to 100) EUR a repair, and "
            "a set costs 19 EUR more. 41 (\u221210 to 92) EUR left over, an interval that holds zero; if it stays so, "
            "some 250 more repairs of the two kinds would settle it.",
        ),
        (
            bolts(None, cost=None, cost_reason="no costs"),
            f"On like engines, {TIMES}; within 365 days that spares 60 (20 to 100) EUR a repair. What a set costs the "
            "orders do not say (no costs): one under 20 EUR pays for itself, one over 100 does not.",
        ),
        (bolts(None).tail(1), "Cannot tell yet: there are too few repairs"),
    ],
)
def test_whether_bolts_pay_is_said_as_far_as_it_is_known(worth: pl.DataFrame, said: str) -> None:
    assert saying.bolts_pay(worth, currency="EUR").startswith(said)


@pytest.mark.parametrize(
    ("known", "horizon"),
    [
        ({180.0: 0.1, 365.0: 0.2, 730.0: 0.3}, 365.0),
        ({180.0: 0.1, 365.0: None, 730.0: 0.3}, 730.0),
        ({180.0: 0.1, 365.0: None, 730.0: None}, 180.0),
        ({365.0: None}, 365.0),
        ({}, 365.0),
    ],
)
def test_bolts_are_judged_after_a_year_or_where_both_kinds_are_known(
    known: dict[float, float | None], horizon: float
) -> None:
    schema = {"horizon": pl.Float64, "spared": pl.Float64}
    assert shown_horizon(pl.DataFrame(list(known.items()), schema=schema, orient="row")) == horizon


@pytest.mark.parametrize(
    ("at_the_top", "here", "is_said"), [(315, 2354, True), (None, 2354, False), (315, None, False)]
)
def test_why_two_numbers_of_repairs_differ_is_said_where_both_stand(
    at_the_top: int | None, here: int | None, is_said: bool
) -> None:
    worth = pl.DataFrame({"repairs_needed": [at_the_top]}, schema={"repairs_needed": pl.Int64})
    steps = pl.DataFrame({"step": ["old_bolts"], "level": ["skipped"], "repairs_needed": [here]})
    assert ("1.5 times as often" in why_bolts_differ(worth, steps, worthwhile_ratio=1.5)) == is_said


def test_pages_say_repairs_where_tables_have_episodes() -> None:
    assert reason_words("too few to say: 1 episode, 0 re-leaks") == "too few to say: 1 repair, 0 re-leaks"
    assert reason_words("no episodes") == "no repairs"


def test_full_weeks_and_covers_left_over_are_counted() -> None:
    weeks = pl.DataFrame({"hours": [9.0, 3.0], "capacity_hours": [9.0, 9.0]})
    assert saying.week_against_capacity(weeks, waiting=1) == (
        "12.0 of 18.0 bay hours are planned; 1 week is nine tenths full or more. 1 cover found no place and waits."
    )


def effect(label: str, ratio: float | None, q_value: float | None, difference: float | None = None) -> dict:
    return {
        "label": label,
        "hazard_ratio": ratio,
        "low": ratio and ratio / 2,
        "high": ratio and ratio * 2,
        "q_value": q_value,
        "difference": difference,
        "difference_low": difference and difference - 0.02,
        "difference_high": difference and difference + 0.02,
        "horizon": 180.0,
        "n": 40,
        "n_reference": 60,
        "repairs_needed": 350,
    }


def test_effects_say_what_is_told_what_is_not_and_what_is_too_few() -> None:
    effects = pl.DataFrame(
        [effect("bolts", 0.25, 0.001, -0.06), effect("sealant", 2.0, 0.3, 0.04), effect("cover", None, None)],
        infer_schema_length=None,
    )
    assert saying.effects_against_reference(effects, reference="gasket", unit="days", contrasts=6) == (
        "Against gasket on like engines: bolts 0.25 times as often (0.12 to 0.50), 6.0 fewer in 100 (4.0 to 8.0) by "
        "180 days. Cannot tell yet from gasket: sealant (some 250 more repairs of the two would settle it). Too few to "
        "say: cover."
    )
    nothing = saying.effects_against_reference(effects.tail(1), reference="gasket", unit="days", contrasts=6)
    assert nothing.startswith("Cannot tell yet: ")


@pytest.mark.parametrize(
    ("difference", "said"),
    [(0.019, "1.9 more in 100 (0.1 fewer to 3.9 more)"), (-0.019, "1.9 fewer in 100 (3.9 fewer to 0.1 more)")],
)
def test_a_difference_whose_interval_holds_zero_keeps_it(difference: float, said: str) -> None:
    effects = pl.DataFrame([effect("sealant", 2.0, 0.01, difference)], infer_schema_length=None)
    assert said in saying.effects_against_reference(effects, reference="gasket", unit="days", contrasts=6)


def test_a_contrast_whose_interval_leaves_out_1_but_is_not_told_has_its_reason() -> None:
    beyond = effect("seals", 0.4, 0.06)
    effects = pl.DataFrame([beyond, effect("sealant", 1.2, 0.3)], infer_schema_length=None)
    said = saying.effects_against_reference(effects, reference="gasket", unit="days", contrasts=6)
    assert said.startswith("Cannot tell yet from gasket: seals (")
    assert said.endswith(
        "The interval of seals leaves out 1, but of 6 contrasts some do by luck alone: only a chance of a false alarm "
        "(q) under 0.05 is told."
    )


@pytest.mark.parametrize(("limit", "places"), [(1.5623, 3), (1.34, 2), (1.56494, 4)])
def test_a_ratio_has_the_decimals_that_show_its_side_of_a_limit(limit: float, places: int) -> None:
    assert apart(1.564942, 0.4924, limit) == places


def test_a_site_between_the_two_limits_is_a_sign_and_no_finding() -> None:
    said = saying.sites_against_expected(pl.DataFrame([site("Quay", 1.0), site("Hill", 1.5)]))
    assert said.startswith("A sign, no proof: Hill more re-leaks")


@pytest.mark.parametrize(
    ("signals", "since", "says"),
    [
        (0, None, "No chart signals now (north stands at 50% of its threshold)."),
        (1, date(2026, 3, 1), "Cannot tell yet from bad luck: east since 1\u00a0Mar\u00a02026 signals"),
        (9, date(2026, 3, 1), "More than bad luck: east since 1\u00a0Mar\u00a02026 signals"),
    ],
)
def test_a_chart_that_signals_no_more_often_than_luck_is_not_called_trouble(signals, since, says) -> None:
    charts = pl.DataFrame(
        {
            "name": ["east", "north"],
            "value": [0.2, 0.5],
            "threshold": [1.0, 1.0],
            "signalling_since": [since, None],
            "repairs": [200, 300],
            "signals": [signals, 0],
        },
        schema_overrides={"signalling_since": pl.Date},
    )
    said = saying.in_control(charts, run_length=250.0)
    assert said.startswith(says)
    assert "about 2.0 in the 500 charted" in said
