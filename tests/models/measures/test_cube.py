import polars as pl
import pytest

from models.measures import leak_rates
from models.tables.measures import TABLES, TIME_SCALES

CURVES = ("recurrence_curve", "leak_timing_curve", "repairs_by_age")
WITHOUT_ROWS_OF_FEW = (*CURVES, "bolt_comparison", "method_effects", "cusum")
WITHOUT_ROWS_OF_NONE = (*WITHOUT_ROWS_OF_FEW, "site_comparison", "comeback_shares", "repair_trends")
GROUPS = ["engine_family", "repair_method", "site"]


@pytest.mark.parametrize("name", TABLES)
def test_conforms_to_its_declaration(name, fleet, compute):
    table = compute(name, fleet)
    good, bad = TABLES[name].filter(table)
    assert len(good) == len(table) > 0, bad.counts()


@pytest.mark.parametrize("name", TABLES)
def test_the_order_of_the_rows_does_not_matter(name, fleet, compute):
    table = compute(name, fleet)
    assert table.equals(compute(name, fleet.sample(fraction=1.0, shuffle=True, seed=4)))
    keys = TABLES[name].primary_key()
    assert table.equals(table.sort(keys))


@pytest.mark.parametrize("name", TABLES)
@pytest.mark.parametrize("rows", [0, 1])
def test_no_episodes_or_one(name, rows, fleet, compute):
    table = compute(name, fleet.head(rows))
    _, bad = TABLES[name].filter(table)
    assert len(bad) == 0
    if name in (WITHOUT_ROWS_OF_FEW if rows else WITHOUT_ROWS_OF_NONE):
        assert table.is_empty()
    else:
        assert table["reason"].null_count() == 0
        assert (
            table["reason"]
            .str.contains("no episodes" if rows == 0 else "no episodes|too few to say: 1 (episode|engine), ")
            .all()
        )


def test_every_combination_has_a_group(fleet, rules):
    """Counted independently by Polars, with '' for each subset of the group columns."""
    rates = leak_rates(fleet, rules=rules).filter(pl.col("time_scale") == "days")
    frames = []
    for subset in range(8):
        kept = [name for bit, name in enumerate(GROUPS) if subset >> bit & 1]
        counts = fleet.with_columns(pl.lit("").alias(name) for name in GROUPS if name not in kept)
        frames.append(
            counts.group_by(GROUPS).agg(
                n=pl.len().cast(pl.Int64),
                events=(pl.col("status") == "re-leak").sum().cast(pl.Int64),
                years=pl.col("days").sum() / 365.25,
            )
        )
    expected = pl.concat(frames).sort(GROUPS)
    assert rates.select(*GROUPS, "n", "events").equals(expected.drop("years"))
    assert (rates["exposure"] - expected["years"]).abs().max() < 1e-9


def test_episodes_without_a_distance_are_left_out_of_kilometres(fleet, rules):
    both = leak_rates(fleet, rules=rules).filter(pl.all_horizontal(pl.col(GROUPS) == "")).sort("time_scale")
    assert dict(both.select("time_scale", "n").rows()) == {scale: fleet[scale].count() for scale in TIME_SCALES}
    assert fleet["km"].null_count() > 0
