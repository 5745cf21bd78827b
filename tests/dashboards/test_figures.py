"""Figures: frame in, figure out, nothing else touched."""

import json
from collections.abc import Sequence
from datetime import date, timedelta

import numpy as np
import plotly.graph_objects as go
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from dashboards.drawing import drawing, script_safe
from dashboards.figures.bay_hours import bay_hours
from dashboards.figures.control_chart import control_chart
from dashboards.figures.effect_forest import effect_forest
from dashboards.figures.interval_dots import FRAME_HEIGHT, interval_dots
from dashboards.figures.leak_timing import leak_timing
from dashboards.figures.recurrence_curves import recurrence_curves
from dashboards.figures.repairs_by_age import repairs_by_age
from dashboards.figures.site_funnel import site_funnel
from dashboards.figures.style import TEMPLATE, Figure
from dashboards.figures.vehicle_timeline import vehicle_timeline
from models.statistics.funnel import funnel_limits

WORDS = {"title": "What is shown", "line": "How to read it."}


def dots() -> pl.DataFrame:
    return pl.DataFrame(
        {
            "label": ["gasket", "gasket", "A <b>& B", "A <b>& B", "few"],
            "series": ["by 180 days", "by 365 days", "by 180 days", "by 365 days", "by 180 days"],
            "value": [0.1, 0.2, 0.3, None, None],
            "low": [0.05, 0.12, 0.2, None, None],
            "high": [0.2, 0.3, 0.45, None, None],
            "note": ["3 of 30", "6 of 30", "9 of 30", "too few to say", "too few to say"],
        }
    )


def curves() -> pl.DataFrame:
    return pl.DataFrame(
        {
            "repair_method": ["gasket", "gasket", "retightened", "retightened"],
            "time": [0.0, 90.0, 0.0, 30.0],
            "recurrence": [0.0, 0.1, 0.0, 0.3],
            "recurrence_low": [None, 0.05, None, 0.2],
            "recurrence_high": [None, 0.2, None, 0.45],
            "at_risk": [30, 20, 12, 10],
        }
    )


def sites() -> pl.DataFrame:
    return pl.DataFrame(
        {"site": ["Quay", "Hill"], "observed": [21, 30], "expected": [20.0, 13.0], "ratio": [1.05, 30 / 13]}
    ).with_columns(funnel_dispersion=pl.lit(1.0))


def weeks() -> pl.DataFrame:
    starts = pl.Series(["2026-07-13", "2026-07-06"]).str.to_date()
    return pl.DataFrame({"week_start": starts, "hours": [3.0, 8.5], "capacity_hours": [9.0, 9.0], "vehicles": [2, 5]})


def ages() -> pl.DataFrame:
    return pl.DataFrame(
        {
            "engine_family": ["A <b>", "A <b>", "B", "B"],
            "age_years": [0.0, 2.0, 0.5, 3.0],
            "repairs": [0.0, 0.4, 0.0, 1.2],
            "low": [0.0, 0.2, 0.0, 0.8],
            "high": [0.0, 0.8, 0.0, 1.8],
            "watched": [12, 11, 20, 14],
        }
    )


def clocks() -> pl.DataFrame:
    return pl.DataFrame(
        {
            "time": [0.0, 90.0, 180.0],
            "detected": [0.0, 0.1, 0.2],
            "detected_low": [None, 0.05, 0.12],
            "detected_high": [None, 0.2, 0.3],
            "begun_least": [0.0, 0.1, 0.24],
            "begun_most": [0.0, 0.2, 0.26],
            "begun_low": [None, 0.08, 0.16],
            "begun_high": [None, 0.25, 0.36],
            "at_risk": [30, 25, 20],
        }
    )


def sums() -> pl.DataFrame:
    days = pl.Series(["2026-01-05", "2026-02-09"]).str.to_date()
    return pl.DataFrame(
        {
            "name": ["Quay", "Quay"],
            "repaired_on": days,
            "known_on": days + timedelta(days=40),
            "value": [0.5, 2.5],
            "threshold": [2.0, 2.0],
            "is_comeback": [False, True],
            "is_signal": [False, True],
        }
    )


def ratios() -> pl.DataFrame:
    return dots().with_columns(pl.col("value", "low", "high") * 10.0)


def timeline(watched: pl.DataFrame) -> Figure:
    episode = watched.row(0, named=True)
    look = {"noted_on": episode["ended_on"], "cover_position": "only", "polarity": "present", "span_text": "<b>oil</b>"}
    segment = {"started_on": episode["repaired_on"], "ended_on": episode["ended_on"], "litres_per_1000km": 0.4}
    return vehicle_timeline([episode], [look], [segment], **WORDS)


def watched() -> pl.DataFrame:
    row = {"episode_id": "e1", "cover_position": "only", "status": "re-leak", "repair_method": "gasket"}
    days = {"repaired_on": date(2026, 1, 5), "ended_on": date(2026, 3, 5)}
    return pl.DataFrame([row | days | {"end_reason": "wet look"}])


DRAWN = {
    "ages": (ages, lambda frame: repairs_by_age(frame, **WORDS)),
    "clocks": (clocks, lambda frame: leak_timing(frame, **WORDS)),
    "forest": (ratios, lambda frame: effect_forest(frame, **WORDS, axis="times as often")),
    "sums": (sums, lambda frame: control_chart(frame, **WORDS)),
    "timeline": (watched, timeline),
    "dots": (dots, lambda frame: interval_dots(frame, **WORDS, axis="share leaked again")),
    "curves": (curves, lambda frame: recurrence_curves(frame, **WORDS, unit="days")),
    "funnel": (sites, lambda frame: site_funnel(frame, **WORDS)),
    "bays": (weeks, lambda frame: bay_hours(frame, **WORDS)),
}


def test_plotly_knows_every_attribute_of_the_look() -> None:
    assert go.layout.Template(TEMPLATE).layout.margin.t == TEMPLATE["layout"]["margin"]["t"]


@pytest.mark.parametrize("name", DRAWN)
def test_a_figure_has_title_line_axes_and_leaves_its_frame_alone(name: str) -> None:
    frame_of, draw = DRAWN[name]
    frame = frame_of()
    drawn = draw(frame)
    assert_frame_equal(frame, frame_of())
    assert drawn == draw(frame_of())
    figure = go.Figure(drawn)
    assert figure.layout.title.text == "What is shown"
    assert figure.layout.title.subtitle.text == "How to read it."
    assert name == "timeline" or figure.layout.xaxis.title.text
    assert name in ("dots", "forest") or figure.layout.yaxis.title.text


def test_dots_stand_at_the_estimates_with_their_intervals() -> None:
    figure = go.Figure(interval_dots(dots(), **WORDS, axis="share"))
    half_year = figure.data[0]
    assert half_year.x == (0.1, 0.3)
    assert np.subtract(half_year.x, half_year.error_x.arrayminus) == pytest.approx([0.05, 0.2])
    assert np.add(half_year.x, half_year.error_x.array) == pytest.approx([0.2, 0.45])


def test_a_missing_estimate_is_said_once_and_clear_of_what_is_there() -> None:
    missing = go.Figure(interval_dots(dots(), **WORDS, axis="share")).data[-1]
    assert [words.strip("\u00a0") for words in missing.text] == ["too few to say", "too few to say"]
    assert list(missing.x) == [pytest.approx(0.325), 0.0]
    assert missing.textposition == ("middle center", "middle right")
    assert missing.y[1] == 2 - 0.13
    far = dots().with_columns(low=pl.when(pl.col("value") > 0.25).then(0.21).otherwise("low"))
    missing = go.Figure(interval_dots(far, **WORDS, axis="share")).data[-1]
    assert (missing.x[0], missing.textposition[0]) == (0.21, "middle left")


def test_words_stand_clear_of_the_dotted_line() -> None:
    missing = go.Figure(interval_dots(dots(), **WORDS, axis="share", reference=0.15)).data[-1]
    assert (missing.x[1], missing.textposition[1]) == (0.15, "middle right")
    missing = go.Figure(interval_dots(dots(), **WORDS, axis="share", reference=0.4)).data[-1]
    assert (missing.x[1], missing.textposition[1]) == (0.4, "middle left")


@pytest.mark.parametrize(
    ("beside", "at", "side"),
    [
        ((0.8, 2.0, 4.9), 1.0, "middle right"),
        ((1.1, 1.5, 2.0), 2.0, "middle right"),
        ((0.2, 0.3, 0.4), 1.0, "middle right"),
        ((1.6, 3.0, 6.9), 1.0, "middle right"),
        ((0.16, 0.5, 0.9), 1.0, "middle right"),
    ],
)
def test_words_on_the_scale_of_times_have_room_within_the_figure(
    beside: tuple[float, float, float], at: float, side: str
) -> None:
    """Plotly draws some 80 pixels of words; a phone leaves some 215 for the axis."""
    low, value, high = beside
    rows = pl.DataFrame(
        {
            "label": ["step", "step", "other"],
            "series": ["skipped", "not recorded", "skipped"],
            "value": [value, None, 3.0],
            "low": [low, None, 1.5],
            "high": [high, None, 7.2],
            "note": ["", "too few to say", ""],
        }
    )
    figure = go.Figure(effect_forest(rows, **WORDS, axis="times as often"))
    first, last = figure.layout.xaxis.range
    words = figure.data[-1]
    assert (words.x[0], words.textposition[0]) == (at, side)
    assert 215 * (last - np.log10(at)) / (last - first) >= 75


def test_rows_are_as_high_as_the_label_of_most_lines() -> None:
    """Plotly sets lines of a 13 pixel font 1.3 times as far apart."""
    long = dots().with_columns(label=pl.format("tightening sequence not followed, {}", "label"))
    figure = interval_dots(long, **WORDS, axis="share")
    most = max(tick.count("<br>") + 1 for tick in figure["layout"]["yaxis"]["ticktext"])
    assert most >= 3
    assert (figure["layout"]["height"] - FRAME_HEIGHT) / 3 > most * 13 * 1.3 + 4


def test_names_with_markup_are_shown_as_they_are() -> None:
    figure = go.Figure(interval_dots(dots(), **WORDS, axis="share"))
    assert figure.layout.yaxis.ticktext[1] == "A &lt;b&gt;&amp; B"


def test_curves_step_and_are_tied_to_their_bands() -> None:
    figure = go.Figure(recurrence_curves(curves(), **WORDS, unit="days"))
    named = [trace for trace in figure.data if trace.name]
    assert [(trace.name, trace.legendgroup) for trace in named] == [
        ("gasket", "gasket"),
        ("re-tightened", "retightened"),
    ]
    assert {trace.line.shape for trace in figure.data} == {"hv"}
    assert named[1].y == (0.0, 0.3)
    assert len({trace.line.dash for trace in named}) == 2


def test_repairs_are_named_and_drawn_over_the_looks_of_their_day() -> None:
    figure = go.Figure(timeline(watched()))
    named = [trace.name for trace in figure.data if trace.name]
    assert named.index("wet look") < named.index("repair")
    repair = figure.data[[trace.name for trace in figure.data].index("repair")]
    assert (repair.x, repair.y, repair.showlegend) == (("2026-01-05",), ("single",), None)
    assert repair.marker.symbol.endswith("-open")


def test_each_family_has_a_line_of_its_own_over_its_band() -> None:
    named = [trace for trace in go.Figure(repairs_by_age(ages(), **WORDS)).data if trace.name]
    assert [(trace.name, trace.legendgroup) for trace in named] == [("A &lt;b&gt;", "A <b>"), ("B", "B")]
    assert named[1].x == (0.5, 3.0)
    assert named[1].y == (0.0, 1.2)
    assert len({(trace.line.dash, trace.line.color) for trace in named}) == 2


def test_the_two_clocks_are_labelled_apart_and_what_the_looks_leave_open_is_filled() -> None:
    figure = go.Figure(leak_timing(clocks(), **WORDS))
    named = [trace for trace in figure.data if trace.name]
    assert [trace.name for trace in named] == ["begun to leak (time to leak)", "found to leak (time to detection)"]
    assert named[0].y == pytest.approx((0.0, 0.15, 0.25))
    assert figure.data[-2].y == (0.0, 0.1, 0.24)
    assert figure.data[-1].y == (0.0, 0.2, 0.26)
    assert figure.data[-1].fill == "tonexty"


def test_the_funnel_is_the_published_limits() -> None:
    figure = go.Figure(site_funnel(sites(), **WORDS))
    upper = next(trace for trace in figure.data if trace.name == "99.8% limits")
    _, high = funnel_limits(np.array(upper.x), confidence=0.998)
    assert upper.y == pytest.approx(high)
    assert min(upper.x) < sites()["expected"].min()
    clumped = go.Figure(site_funnel(sites().with_columns(funnel_dispersion=pl.lit(4.0)), **WORDS))
    upper = next(trace for trace in clumped.data if trace.name == "99.8% limits")
    _, high = funnel_limits(np.array(upper.x) / 4.0, confidence=0.998)
    assert upper.y == pytest.approx(high)
    assert max(upper.x) > sites()["expected"].max()


def test_of_many_sites_only_those_outside_the_limits_are_named() -> None:
    many = pl.DataFrame(
        {
            "site": [f"S{number}" for number in range(12)],
            "observed": [10] * 11 + [40],
            "expected": [10.0] * 12,
            "ratio": [1.0] * 11 + [4.0],
            "funnel_dispersion": [1.0] * 12,
        }
    )
    named = [name for name in go.Figure(site_funnel(many, **WORDS)).data[-1].text if name]
    assert named == ["S11"]
    assert list(go.Figure(site_funnel(sites(), **WORDS)).data[-1].text) == ["Hill", "Quay"]


def test_names_of_sites_that_lie_together_stand_on_different_sides() -> None:
    beside = pl.DataFrame(
        {
            "site": ["Sarnholt", "Port Eddering", "Fennigar", "Quillmouth"],
            "observed": [2781, 1535, 1473, 1858],
            "expected": [1780.0, 1850.0, 1865.0, 2160.0],
            "ratio": [1.56, 0.83, 0.79, 0.86],
            "funnel_dispersion": [1.2] * 4,
        }
    )
    names = go.Figure(site_funnel(beside, **WORDS)).data[-1]
    places = dict(zip(names.text, names.textposition, strict=True))
    assert places["Sarnholt"] == "top center"
    assert places["Port Eddering"].startswith("top")
    assert places["Fennigar"].startswith("bottom")
    assert places["Quillmouth"] != "top center"


def test_weeks_stand_in_order() -> None:
    bars = go.Figure(bay_hours(weeks(), **WORDS)).data[0]
    assert bars.x == ("6\u00a0Jul", "13\u00a0Jul")
    assert bars.y == (8.5, 3.0)


def walked(seed: int) -> pl.DataFrame:
    """A control chart's sum over 400 repairs in 80 days: often at nought, several a day, now and then a leap."""
    random = np.random.default_rng(seed)
    leaps = random.random(400) < 0.15
    sums = [0.0]
    for leap in leaps:
        sums.append(max(0.0, sums[-1] + (0.5 if leap else -0.125)))
    days = [date(2026, 1, 1) + timedelta(days=int(day)) for day in np.sort(random.integers(0, 80, 400))]
    return pl.DataFrame({"name": "Quay", "repaired_on": days, "value": sums[1:], "is_comeback": leaps}).with_columns(
        threshold=pl.lit(2.0), is_signal=pl.lit(False), known_on="repaired_on"
    )


def test_a_signal_says_the_day_it_was_known_beside_the_day_of_the_repair() -> None:
    signals = go.Figure(control_chart(sums(), **WORDS)).data[-1]
    assert signals.x == ("2026-02-09",)
    assert list(signals.customdata[0]) == ["Quay", "2026-03-21"]


def inked(days: Sequence[str], shares: Sequence[float]) -> dict[str, tuple[float, float, float]]:
    """Least, most and last of each day on which a line in steps does not stay where it was."""
    of_days: dict[str, list[float]] = {}
    for day, share in zip(days, shares, strict=True):
        of_days.setdefault(day, []).append(share)
    ink, level = {}, shares[0]
    for day, on_day in of_days.items():
        reached = [level, *on_day]
        level = on_day[-1]
        ink[day] = (min(reached), max(reached), level)
    return {day: (least, most, last) for day, (least, most, last) in ink.items() if least < most}


@pytest.mark.parametrize("seed", range(20))
def test_a_sum_is_drawn_from_the_points_that_make_its_line_and_looks_the_same(seed: int) -> None:
    rows = walked(seed)
    steps = go.Figure(control_chart(rows, **WORDS)).data[0]
    days, shares = [day.isoformat() for day in rows["repaired_on"]], (rows["value"] / 2.0).to_list()
    assert inked(steps.x, steps.y) == inked(days, shares)
    assert len(steps.x) < 0.75 * rows.height
    assert (steps.x[0], steps.x[-1]) == (days[0], days[-1])


def test_a_drawn_number_has_six_digits_and_no_needless_point() -> None:
    figure = bay_hours(weeks(), **WORDS) | {"data": [{"x": [365.0, -0.0, 1 / 3, None]}]}
    assert '"x":[365,0,0.333333,null]' in drawing(figure, says="nothing").data_json


def test_a_drawing_cannot_close_its_script() -> None:
    frame = dots().with_columns(note=pl.lit("</script><script>alert(1)</script>"))
    drawn = drawing(interval_dots(frame, **WORDS, axis="share"), says="nothing")
    assert "<" not in drawn.data_json
    assert json.loads(drawn.data_json)["data"]
    assert json.loads(script_safe('["</script>&"]')) == ["</script>&"]
    assert (drawn.title, drawn.line) == ("What is shown", "How to read it.")
