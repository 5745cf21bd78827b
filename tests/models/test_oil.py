from datetime import UTC, date, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from models.oil import MIN_SEGMENTS_A_SIDE, oil_rate_shift, oil_segments
from models.settings import OilRules
from models.tables.ledger import OilSegments

START = datetime(2024, 1, 1, tzinfo=UTC)
UTC_TIME = pl.Datetime("us", "UTC")


def segments_of(
    fills: list[tuple[float, float, str]],
    *,
    sump: float | None = 5.0,
    swap_on: date | None = None,
    local_days_ahead: int = 0,
) -> pl.DataFrame:
    """Segments of one vehicle that runs exactly 100 km a day, from (day number, litres, reason)."""
    when = [START + timedelta(days=day) for day, _, _ in fills]
    top_ups = pl.DataFrame(
        {
            "vehicle_id": "V",
            "top_up_id": [f"T{index}" for index in range(len(fills))],
            "topped_up_at": pl.Series(when, dtype=UTC_TIME),
            "topped_up_on": [at.date() + timedelta(days=local_days_ahead) for at in when],
            "volume_litres": [litres for _, litres, _ in fills],
            "reason": [reason for _, _, reason in fills],
        }
    )
    days = range(0, 1000)
    read_at = pl.Series([START + timedelta(days=day) for day in days], dtype=UTC_TIME)
    curve = pl.DataFrame(
        {"vehicle_id": "V", "read_at": read_at, "distance_km": [100.0 * day for day in days], "is_used": True}
    )
    ends = [("E1", date(2020, 1, 1), swap_on), *([("E2", swap_on, None)] if swap_on else [])]
    periods = pl.DataFrame(
        [("V", engine, "F", first, last) for engine, first, last in ends],
        schema=["vehicle_id", "engine_id", "engine_family", "from_on", "to_on"],
        schema_overrides={"to_on": pl.Date},
        orient="row",
    )
    families = pl.DataFrame({"engine_family": ["F"], "sump_litres": pl.Series([sump], dtype=pl.Float64)})
    return OilSegments.validate(oil_segments(top_ups, curve, periods, families, rules=OilRules()))


def told(segments: pl.DataFrame) -> list[tuple[str, float, float, float]]:
    return segments.select("top_up_id", "km", "litres", "litres_per_1000km").rows()


def test_a_top_up_closes_a_segment_and_opens_the_next() -> None:
    segments = segments_of([(0, 1.0, ""), (10, 0.5, ""), (30, 1.0, "")])
    assert told(segments) == [("T1", 1000.0, 0.5, 0.5), ("T2", 2000.0, 1.0, 0.5)]


@pytest.mark.parametrize(
    "reason", ["Oil change", "oil & filter", "engine oil service", "drained and refilled", "Full service"]
)
def test_an_oil_change_by_its_words_resets_and_closes_nothing(reason: str) -> None:
    segments = segments_of([(0, 1.0, "low"), (10, 2.0, reason), (30, 1.0, "low")])
    assert told(segments) == [("T2", 2000.0, 1.0, 0.5)]


@pytest.mark.parametrize("reason", ["top up between services", "Topped up", "low", "top up, oil change due"])
def test_a_top_up_by_its_words_is_no_change(reason: str) -> None:
    assert len(segments_of([(0, 1.0, ""), (10, 0.5, reason)])) == 1


def test_seven_tenths_of_the_sump_is_a_change_whatever_the_words() -> None:
    assert told(segments_of([(0, 1.0, ""), (10, 3.5, "top up"), (20, 0.5, "")])) == [("T2", 1000.0, 0.5, 0.5)]
    assert len(segments_of([(0, 1.0, ""), (10, 3.49, "top up"), (20, 0.5, "")])) == 2


def test_without_a_known_sump_only_words_make_a_change() -> None:
    assert len(segments_of([(0, 1.0, ""), (10, 9.0, "")], sump=None)) == 1


def test_fills_of_one_day_are_one_fill() -> None:
    segments = segments_of([(0, 1.0, ""), (10, 0.5, ""), (10.2, 0.5, "")])
    assert segments["litres"].to_list() == [1.0]


def test_days_are_those_of_the_place_and_not_of_utc() -> None:
    """East of UTC a fill at ten in the evening UTC is one of the next day."""
    segments = segments_of([(0, 1.0, ""), (10, 0.5, "")], local_days_ahead=1)
    assert segments.select("started_at", "started_on").row(0) == (START, date(2024, 1, 2))
    assert segments.select("ended_at", "ended_on").row(0) == (START + timedelta(days=10), date(2024, 1, 12))


def test_another_engine_starts_anew() -> None:
    segments = segments_of([(0, 1.0, ""), (10, 0.5, ""), (30, 1.0, ""), (40, 1.0, "")], swap_on=date(2024, 1, 20))
    assert segments.select("engine_id", "top_up_id").rows() == [("E1", "T1"), ("E2", "T3")]


def test_limits_are_those_of_a_gamma_with_the_levels_variance() -> None:
    """Litres 2.0, levels 0.4 L off at both ends: relative variance 2 (0.4 / 2)^2 = 0.08, so shape 12.5.

    Quantiles of gamma(12.5) from the chi-squared table with 25 degrees of freedom (any handbook): 13.120, 40.646.
    """
    row = segments_of([(0, 1.0, ""), (40, 2.0, "")]).row(0, named=True)
    assert row["litres_per_1000km"] == pytest.approx(0.5)
    assert row["low"] == pytest.approx(0.5 * 13.120 / 25, abs=5e-5)
    assert row["high"] == pytest.approx(0.5 * 40.646 / 25, abs=5e-5)


def test_a_small_top_up_says_little() -> None:
    small, large = segments_of([(0, 1.0, ""), (10, 0.3, ""), (90, 2.4, "")]).iter_rows(named=True)
    assert small["litres_per_1000km"] == pytest.approx(large["litres_per_1000km"])
    assert small["high"] - small["low"] > 3 * (large["high"] - large["low"])


@pytest.mark.parametrize("litres", [0.01, 0.05, 0.1, 0.5, 3.0])
def test_the_rate_lies_within_its_limits_and_less_oil_never_says_more(litres: float) -> None:
    row = segments_of([(0, 1.0, ""), (40, litres, "")]).row(0, named=True)
    assert row["low"] <= row["litres_per_1000km"] <= row["high"]
    more = segments_of([(0, 1.0, ""), (40, litres * 1.5, "")], sump=None).row(0, named=True)
    assert row["low"] / row["litres_per_1000km"] <= more["low"] / more["litres_per_1000km"] + 1e-9


def history(km: np.ndarray, litres: float = 1.0) -> pl.DataFrame:
    """Segments of many vehicles from their distances (vehicle by segment)."""
    vehicles, length = km.shape
    index = np.arange(vehicles * length)
    ended = pl.Series([START + timedelta(days=int(place % length)) for place in index], dtype=UTC_TIME)
    started = ended - timedelta(days=1)
    return pl.DataFrame(
        {
            "vehicle_id": [f"V{place // length:05d}" for place in index],
            "engine_id": "E",
            "started_at": started,
            "started_on": started.dt.date(),
            "ended_at": ended,
            "ended_on": ended.dt.date(),
            "top_up_id": [str(place) for place in index],
            "km": km.ravel(),
            "litres": np.full(index.size, litres),
        }
    )


def test_a_tripled_rate_is_found_with_its_size_and_date() -> None:
    km = np.array([[1500.0, 1400, 1600, 1500, 1450, 1550, 1500, 500, 520, 480, 510, 490]])
    shift = oil_rate_shift(history(km), rules=OilRules()).row(0, named=True)
    assert shift["shifted"]
    assert shift["ratio"] == pytest.approx((5 / 2500) / (7 / 10_500))
    assert shift["since_on"] == date(2024, 1, 7)


def test_a_fallen_rate_is_no_shift_to_warn_of() -> None:
    km = np.array([[500.0] * 6 + [1500.0] * 6])
    shift = oil_rate_shift(history(km), rules=OilRules()).row(0, named=True)
    assert not shift["shifted"]
    assert shift["ratio"] == pytest.approx(1 / 3)


def test_a_rise_below_the_ratio_of_the_settings_is_no_shift() -> None:
    km = np.array([[1500.0] * 12 + [900.0] * 12])
    assert not oil_rate_shift(history(km), rules=OilRules())["shifted"][0]
    assert oil_rate_shift(history(km, litres=2.0), rules=OilRules(shift_ratio=1.5))["shifted"][0]


def test_too_few_segments_are_said_to_be_so() -> None:
    km = np.array([[1500.0] * (2 * MIN_SEGMENTS_A_SIDE - 1)])
    shift = oil_rate_shift(history(km), rules=OilRules())
    assert shift.select("shifted", "ratio", "since_on", "statistic", "segments").row(0) == (False, None, None, None, 5)


def test_steady_rates_seldom_pass_and_tripled_ones_mostly_do() -> None:
    """The false-alarm rate stated beside the threshold, over fresh simulated fleets."""
    km = np.random.default_rng(20240607).gamma(4.0, 375.0, (1_500, 20))
    assert oil_rate_shift(history(km), rules=OilRules())["shifted"].mean() < 0.01
    km[:, 10:] /= 3.0
    assert oil_rate_shift(history(km), rules=OilRules())["shifted"].mean() > 0.7


def test_order_of_rows_does_not_matter() -> None:
    segments = history(np.random.default_rng(3).gamma(4.0, 375.0, (20, 9)))
    shuffled = segments.sample(fraction=1.0, shuffle=True, seed=1)
    columns = ["vehicle_id", "shifted", "since_on", "segments"]
    expected = oil_rate_shift(segments, rules=OilRules()).select(columns)
    assert oil_rate_shift(shuffled, rules=OilRules()).select(columns).equals(expected)
