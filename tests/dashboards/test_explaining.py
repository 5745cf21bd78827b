"""A published figure explained: its words, its settings and the episodes behind it."""

from pathlib import Path

import pytest

from dashboards.explaining import explain
from models.errors import UsageError
from models.tables.measures import TABLES

ONE_OF = {
    "site_comparison": {"site": "Quay"},
    "method_effects": {"repair_method": "gasket_and_seals"},
    "cusum": {"site": "Quay"},
    "step_effects": {"step": "old_bolts", "level": "not recorded"},
}
"""Measures without a row for all."""


@pytest.mark.parametrize("measure", TABLES)
def test_every_measure_is_explained_whole(full_snapshot: Path, measure: str) -> None:
    found = explain(full_snapshot, measure, horizon=None, **ONE_OF.get(measure, {}))
    assert all(found.words.values())
    assert found.words["Columns"].count("\n") + 1 == len(TABLES[measure].columns())
    assert found.episodes.height
    assert found.episodes["adds"].null_count() == 0


def test_one_column_is_explained_alone(full_snapshot: Path) -> None:
    found = explain(full_snapshot, "leak_rates.exposure", horizon=None)
    assert found.words["Columns"] == "exposure: time watched [vehicle-years, 100,000 km or 1,000 hours]"


def test_the_settings_in_force_are_those_of_the_snapshot(full_snapshot: Path) -> None:
    words = explain(full_snapshot, "comeback_shares", horizon=None).words["Settings in force"]
    assert "episodes.comeback_days = 90 days (common practice in workshop warranty terms)" in words


@pytest.mark.parametrize(
    ("measure", "horizon", "chosen", "says"),
    [
        ("recurence", None, {}, "no measure 'recurence'.*recurrence, "),
        ("oil_trends", None, {}, "single vehicles: 'releak story VEHICLE'"),
        ("recurrence.rates", None, {}, "no column 'rates'.*rate, "),
        ("recurrence", 181.0, {}, "no figure at 181.*180"),
        ("leak_rates", 180.0, {}, "no horizon"),
        ("leak_rates", None, {"site": "Quai"}, "no row for site 'Quai'"),
        ("site_comparison", None, {}, "Choose one with --site"),
        ("site_comparison", None, {"engine_family": "KT-4"}, "no figures by --family"),
        ("comeback_shares", None, {"engine_family": "KT-4", "site": "Quay"}, "one attribute at a time"),
    ],
)
def test_a_figure_that_is_not_there_is_said_in_a_sentence(full_snapshot, measure, horizon, chosen, says) -> None:
    with pytest.raises(UsageError, match=says):
        explain(full_snapshot, measure, horizon=horizon, **chosen)
