"""What the episodes behind a figure add must sum to the figure as it is published."""

import pytest

from models import measures
from models.measures.behind import BEHIND, Selection, episodes_behind
from models.settings import Settings
from models.tables.explanations import explanations
from models.tables.measures import COMEBACK_ATTRIBUTES, TABLES

SETTINGS = Settings()
SECTIONS = {name: getattr(SETTINGS, name) for name in ("fleet", "episodes", "measures", "oil", "flags", "plan")}


def test_every_measure_is_explained_by_its_own_columns_and_by_settings_that_exist() -> None:
    assert set(explanations()) == set(TABLES) == set(BEHIND)
    for measure, explained in explanations().items():
        assert {explained.figure, explained.adds_to} <= set(TABLES[measure].columns()), measure
        for place in explained.settings:
            section, _, name = place.partition(".")
            assert name in type(SECTIONS[section]).model_fields, place


SELECTIONS = [
    ("recurrence", Selection(horizon=180.0)),
    ("recurrence", Selection(engine_family="F2", repair_method="gasket", time_scale="km", horizon=25_000.0)),
    ("time_to_releak", Selection(horizon=730.0)),
    ("time_to_releak", Selection(site="east", time_scale="km", horizon=50_000.0)),
    ("leak_rates", Selection(repair_method="gasket_and_seals")),
    ("leak_rates", Selection(time_scale="km")),
]


@pytest.mark.parametrize(("measure", "selection"), SELECTIONS)
def test_what_the_episodes_add_sums_to_the_published_figure(fleet, rules, measure, selection) -> None:
    group = {name: getattr(selection, name) for name in ("engine_family", "repair_method", "site", "time_scale")}
    row = getattr(measures, measure)(fleet, rules=rules).filter(**group)
    if "horizon" in row.columns:
        row = row.filter(horizon=selection.horizon)
    behind = episodes_behind(measure, {"episodes": fleet}, selection, settings=SETTINGS)
    assert behind["adds"].sum() == pytest.approx(row[explanations()[measure].adds_to].item(), rel=1e-9)
    assert behind.height == row["n"].item()


def test_a_point_of_a_curve_a_site_and_a_comeback_share_sum_up_too(fleet, fitted, rules) -> None:
    point = measures.recurrence_curve(fleet, rules=rules).filter(
        engine_family="", repair_method="", site="", time_scale="days"
    )
    last = point.row(-1, named=True)
    behind = episodes_behind(
        "recurrence_curve", {"episodes": fleet}, Selection(horizon=last["time"]), settings=SETTINGS
    )
    assert behind["adds"].sum() == pytest.approx(last["recurrence"], rel=1e-9)

    east = (
        measures.site_comparison(fleet, fitted(fleet), rules=rules)
        .filter(site="east", time_scale="days")
        .row(0, named=True)
    )
    behind = episodes_behind(
        "site_comparison",
        {"episodes": fleet, "engine_periods": fitted(fleet)},
        Selection(site="east"),
        settings=SETTINGS,
    )
    assert behind["adds"].sum() == pytest.approx(east["expected"], rel=1e-9)
    assert (behind["counts_as"] == "leaked again").sum() == east["observed"]

    shares = measures.comeback_shares(fleet, rules=rules, window=SETTINGS.episodes)
    family = shares.filter(attribute="engine_family", attribute_value="F1").row(0, named=True)
    assert "engine_family" in COMEBACK_ATTRIBUTES
    behind = episodes_behind("comeback_shares", {"episodes": fleet}, Selection(engine_family="F1"), settings=SETTINGS)
    assert behind["adds"].sum() == pytest.approx(family["rate"], rel=1e-9)
    assert behind.height == family["n"]


def test_re_leaks_after_new_bolts_take_from_what_they_spare(fleet, rules) -> None:
    compared = measures.bolt_comparison(fleet, rules=rules).filter(engine_family="", horizon=365.0).row(0, named=True)
    behind = episodes_behind("bolt_comparison", {"episodes": fleet}, Selection(horizon=365.0), settings=SETTINGS)
    assert behind["adds"].sum() == pytest.approx(compared["spared"], rel=1e-9)
    assert behind.filter(repair_method="gasket_seals_bolts")["adds"].max() <= 0


def test_an_episode_counts_by_how_far_it_was_watched(make) -> None:
    """Four repairs at 100 days: 1/4 leaks at 50; of the 2 left at 80, the censored 60 aside, one: 3/4 x 1/2."""
    rows = [("re-leak", 50.0), ("censored", 60.0), ("re-leak", 80.0), ("censored", 300.0)]
    episodes = make(*rows)
    behind = episodes_behind("recurrence", {"episodes": episodes}, Selection(horizon=100.0), settings=SETTINGS)
    assert behind["adds"].to_list() == pytest.approx([0.25, 0.0, 0.375, 0.0])
    assert behind["counts_as"].to_list() == [
        "leaked again",
        "watched until then, dry",
        "leaked again",
        "still dry at the horizon",
    ]
