"""Control charts of comebacks on sites drawn with known trouble."""

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from models.measures import cusum
from models.measures.behind import Selection, episodes_behind
from models.settings import EpisodeRules, FleetSettings, Settings

WINDOW, HIDDEN = EpisodeRules(), FleetSettings()


@pytest.fixture(scope="module")
def troubled(make):
    """300 repairs a site at 6 comebacks in 100; the west's last 120 come back four times as often."""
    random = np.random.default_rng(2)
    rows = []
    for site in ("east", "north", "south", "west", "yard"):
        for i in range(300):
            hazard = 0.06 / 90 * (4 if site == "west" and i >= 180 else 1)
            leak = random.exponential(1 / hazard)
            days = min(leak, 400.0)
            repaired_on = date(2022, 1, 1) + timedelta(days=3 * i)
            rows.append(
                {"site": site, "status": "re-leak" if leak < 400 else "censored", "days": float(days)}
                | {"repaired_on": repaired_on, "ended_on": repaired_on + timedelta(days=int(days)), "km": None}
                | {"technician": f"tech-{i % 2}" if i < 290 else None}
            )
    return make(*rows)


@pytest.fixture(scope="module")
def chart(troubled, fitted, rules):
    return cusum(troubled, fitted(troubled), rules=rules, window=WINDOW, people=HIDDEN)


def test_the_site_in_trouble_signals_soon_after_it_began_and_mostly_from_then_on(chart) -> None:
    """A chart in control signals once in 250 repairs: now and then one of the quiet stretches does."""
    west = chart.filter(site="west").sort("number")
    signals = west.filter("is_signal")["number"]
    assert signals.is_between(181, 240).any()
    assert west.tail(90)["signalling_since"].null_count() < 30
    first = west.filter(number=signals[0]).row(0, named=True)
    assert first["signalling_since"] == first["known_on"]
    assert chart.filter("is_signal", pl.col("site") != "west").height < signals.len()


def test_comebacks_and_risks_are_those_of_the_window(chart, troubled) -> None:
    """Over the fleet the risks add up to about the comebacks; each is by the part of the window watched."""
    leaked = troubled.filter(status="re-leak")
    assert chart["is_comeback"].sum() == (leaked["days"] <= WINDOW.comeback_days).sum()
    expected = -np.log1p(-chart["risk"].to_numpy()).sum()
    assert expected == pytest.approx(chart["is_comeback"].sum(), rel=0.1)
    assert chart.group_by("site").len()["len"].to_list() == [300] * 5


def test_technicians_are_charted_only_where_that_is_agreed(troubled, fitted, rules, chart) -> None:
    assert set(chart["technician"]) == {""}
    shown = FleetSettings(show_technicians=True)
    both = cusum(troubled, fitted(troubled), rules=rules, window=WINDOW, people=shown)
    assert set(both["technician"]) == {"", "tech-0", "tech-1"}
    assert both.filter(technician="").equals(chart)


def test_a_site_with_few_repairs_has_no_chart(troubled, fitted, rules) -> None:
    few = troubled.filter(site="east").head(9)
    assert cusum(few, fitted(few), rules=rules, window=WINDOW, people=HIDDEN).is_empty()


def test_the_repairs_behind_a_chart_move_it_to_where_it_stands(troubled, fitted, chart) -> None:
    frames = {"episodes": troubled, "engine_periods": fitted(troubled)}
    behind = episodes_behind("cusum", frames, Selection(site="west", horizon=200.0), settings=Settings())
    assert behind.height == 200
    assert behind["adds"].sum() == pytest.approx(chart.filter(site="west", number=200)["value"].item(), rel=1e-9)
