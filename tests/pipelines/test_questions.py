"""The analyst's questions put to the pages of the sample fleet, where its simulation knows the right answers."""

import html
import re

import numpy as np
import polars as pl
import pytest

from models.simulation.world import FAMILIES, LIVES, STEP_HAZARDS
from pipelines.demo import SAMPLE, lay_out
from pipelines.home import Home
from pipelines.refreshing import refresh

TWO_YEARS = 730.0
MONTH_DAYS = 30.4375
NUMBER = r"([\u2212\d.,]+)"


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> str:
    """The words of the comparing page of the sample."""
    folder = tmp_path_factory.mktemp("demo")
    lay_out(folder)
    refresh(Home(folder))
    text = (folder / "report" / "comparing.html").read_text(encoding="utf-8")
    return " ".join(html.unescape(re.sub(r"<script.*?</script>|<[^>]*>", " ", text, flags=re.S)).split())


@pytest.fixture(scope="module")
def truth() -> pl.DataFrame:
    """The sample's repairs with how much oftener each leaks, and how far its vehicle runs a day."""
    episodes, vehicles = (_truth(name) for name in ("episodes", "vehicles"))
    return episodes.join(vehicles.select("vehicle_id", "km_per_day"), on="vehicle_id", maintain_order="left")


def _truth(name: str) -> pl.DataFrame:
    return pl.read_csv(SAMPLE / "truth" / f"{name}.csv", infer_schema_length=None)


def _numbers(pattern: str, page: str) -> list[float]:
    """The numbers where a pattern's groups stand."""
    found = re.search(pattern, page)
    assert found, f"the page does not say {pattern}"
    return [float(each.replace(",", "").replace("\u2212", "-")) for each in found.groups()]


def _leaking(method: str, multiplier: pl.Series, repairs: pl.DataFrame) -> np.ndarray:
    """Probability that each repair leaks within two years, by the two clocks it was drawn from."""
    life = LIVES[method]
    km = (repairs["km_per_day"].to_numpy() * TWO_YEARS / life.scale_km) ** life.shape_km
    months = (TWO_YEARS / MONTH_DAYS / life.scale_months) ** life.shape_months
    return -np.expm1(-multiplier.to_numpy() * (km + months))


def test_does_a_new_bolt_set_pay_for_itself(page: str, truth: pl.DataFrame) -> None:
    """Every repair of the two kinds is set to either, its engine, site, vehicle and other steps as they are.

    A leak is found some weeks after it begins; over two years that is a small part of what the interval allows.
    """
    pairs = truth.filter(pl.col("repair_method").is_in(["gasket_and_seals", "gasket_seals_bolts"]))
    old = pl.when(pl.col("skipped_steps").fill_null("").str.contains("old_bolts")).then(STEP_HAZARDS["old_bolts"])
    renewed = pairs.select(pl.col("hazard_multiplier") / old.otherwise(1.0)).to_series()
    with_bolts = _leaking("gasket_seals_bolts", renewed, pairs)
    without = _leaking("gasket_and_seals", renewed * STEP_HAZARDS["old_bolts"], pairs)
    ratio = np.log1p(-with_bolts.mean()) / np.log1p(-without.mean())
    left_over = 900.0 * (without - with_bolts).mean() - 19.0
    assert left_over > 0

    said = rf"repairs with new bolts leak again {NUMBER} \({NUMBER} to {NUMBER}\) times as often"
    _, low, high = _numbers(said, page)
    assert low < ratio < high < 1.0
    assert _numbers(rf"a set costs {NUMBER} EUR more", page) == [19.0]
    _, low, high = _numbers(rf"{NUMBER} \({NUMBER} to {NUMBER}\) EUR left over", page)
    assert low < left_over < high
    assert re.search(r"What this says\. (Yes|Cannot tell yet): on like engines", page)


def test_how_many_more_repairs_would_settle_it(page: str) -> None:
    """Limits reach 1.96 errors or a bit more; 80% of fleets tell what lies 2.80 from 0; errors fall as 1 / root n."""
    left, low, high = _numbers(rf"{NUMBER} \({NUMBER} to {NUMBER}\) EUR left over", page)
    (more,) = _numbers(rf"some {NUMBER} more repairs of the two kinds would settle it", page)
    seen = sum(_truth("episodes")["repair_method"].is_in(["gasket_and_seals", "gasket_seals_bolts"]))
    wanted = (1.959964 + 0.841621) / (left / ((high - low) / 2 / 1.959964))
    assert seen + more == pytest.approx(seen * wanted**2, rel=0.1)


def test_is_one_sites_work_really_worse_or_are_its_engines_harder(page: str, truth: pl.DataFrame) -> None:
    """Sarnholt's work is worse; Fennigar's engines are harder, and its work is as good as any."""
    hardness = truth["engine_family"].replace_strict({code: family.hazard for code, family in FAMILIES.items()})
    work = truth.with_columns(work=pl.col("hazard_multiplier") / hardness, hardness=hardness)
    sites = work.group_by("site").agg(pl.col("work", "hardness").mean())
    assert sites.sort("hardness")["site"].last() == "Fennigar"
    assert sites.sort("work")["site"].to_list()[::3] == ["Fennigar", "Sarnholt"]

    assert "Re-leaks: Sarnholt more than luck explains" in page
    for site in ("Fennigar", "Port Eddering", "Quillmouth"):
        _, low, high = _numbers(rf"{site} (?:[\d.,]+ ){{4}}{NUMBER} \({NUMBER} to {NUMBER}\)", page)
        assert low < 1.0 < high, f"{site} is called apart from the fleet"
    true_ratio = sites.filter(site="Sarnholt")["work"].item() / work["work"].mean()
    _, low, high = _numbers(rf"Sarnholt (?:[\d.,]+ ){{4}}{NUMBER} \({NUMBER} to {NUMBER}\)", page)
    assert 1.0 < low < true_ratio < high
