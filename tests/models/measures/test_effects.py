"""Methods and job steps against each other, on episodes drawn with known hazard ratios."""

import numpy as np
import polars as pl
import pytest

from models.measures import method_effects, step_effects
from models.measures.method_effects import by_frequency
from models.measures.step_effects import with_steps

FAMILY_HAZARDS = {"F1": 0.0006, "F2": 0.0018}


def drawn(random, ratio, **row):
    """A repair under a constant hazard, watched for 100 to 700 days, taken off for other work at times."""
    hazard = FAMILY_HAZARDS[row["engine_family"]] * ratio
    leak, other, watched = random.exponential(1 / hazard), random.exponential(3000), random.uniform(100, 700)
    days = min(leak, other, watched)
    status = "re-leak" if days == leak else "competing" if days == other else "censored"
    return row | {"status": status, "days": float(days)}


@pytest.fixture(scope="module")
def effects(make, fitted, rules):
    """Seals halve the hazard and go to the harder family; re-tightening is rare, bolts nearly unknown."""
    random = np.random.default_rng(8)
    ratios = {"gasket": 1.0, "gasket_and_seals": 0.5, "retightened": 2.0, "gasket_seals_bolts": 0.3}
    rows = []
    for method, n, hard in (
        ("gasket", 900, 0.2),
        ("gasket_and_seals", 700, 0.8),
        ("retightened", 200, 0.5),
        ("gasket_seals_bolts", 8, 0.5),
    ):
        for _ in range(n):
            family = "F2" if random.uniform() < hard else "F1"
            vehicle = f"v{random.integers(900)}"
            rows.append(drawn(random, ratios[method], engine_family=family, repair_method=method, vehicle_id=vehicle))
    episodes = make(*rows)
    return method_effects(episodes, fitted(episodes), rules=rules)


def test_a_method_done_on_two_vehicles_only_is_not_judged_as_if_on_the_whole_fleet(make, fitted, rules) -> None:
    """Thirty repairs of two vehicles know the two vehicles: the limits reach as far as Student's t of one degree."""
    random = np.random.default_rng(3)
    rows = [drawn(random, 1.0, engine_family="F1", repair_method="gasket", vehicle_id=f"v{n:03}") for n in range(200)]
    few = {"engine_family": "F1", "repair_method": "retightened"}
    rows += [drawn(random, 1.0 + 2.0 * (n % 2), vehicle_id=f"w{n % 2}", **few) for n in range(30)]
    episodes = make(*rows)
    row = method_effects(episodes, fitted(episodes), rules=rules).filter(time_scale="days").row(0, named=True)
    assert (row["repair_method"], row["reason"]) == ("retightened", None)
    assert row["high"] / row["low"] > 100
    assert row["p_value"] > 0.1
    alone = episodes.filter(pl.col("vehicle_id") != "w1")
    one = method_effects(alone, fitted(alone), rules=rules).filter(time_scale="days").row(0, named=True)
    assert (one["hazard_ratio"], one["reason"]) == (None, "too few to say: too few vehicles")


@pytest.mark.parametrize(("method", "truth"), [("gasket_and_seals", 0.5), ("retightened", 2.0)])
def test_the_true_ratio_is_found_though_the_harder_engines_got_one_method(effects, method, truth) -> None:
    row = effects.filter(repair_method=method, time_scale="days").row(0, named=True)
    assert row["reference"] == "gasket"
    assert row["low"] < truth < row["high"]
    assert row["hazard_ratio"] == pytest.approx(truth, rel=0.2)
    assert (row["hazard_ratio"] > 1) == (row["difference"] > 0) == (row["difference_low"] > 0)
    assert row["p_value"] <= row["q_value"] < 0.001
    assert row["proportional_p"] > 0.01


def test_the_difference_is_that_of_the_whole_fleets_repairs(effects, rules) -> None:
    """The mix is half of either family: 1 - exp(-180 hazard), other ends taking some 3 in 100 away."""
    row = effects.filter(repair_method="gasket_and_seals", time_scale="days").row(0, named=True)
    hard = (0.2 * 900 + 0.8 * 700 + 0.5 * 208) / 1808
    shares = [
        (1 - hard) * (1 - np.exp(-180 * 0.0006 * ratio)) + hard * (1 - np.exp(-180 * 0.0018 * ratio))
        for ratio in (1.0, 0.5)
    ]
    assert row["horizon"] == rules.difference_days == 180
    assert row["difference_low"] < shares[1] - shares[0] < row["difference_high"]


def test_what_it_takes_to_see_a_worthwhile_ratio_is_about_schoenfelds_count(effects, rules) -> None:
    """(1.96 + 0.84)^2 / (p q ln(1.5)^2) events; strata and vehicles make it some more."""
    row = effects.filter(repair_method="gasket_and_seals", time_scale="days").row(0, named=True)
    repairs, events = row["n"] + row["n_reference"], row["events"] + row["events_reference"]
    share = row["n"] / repairs
    plain = (1.959964 + 0.841621) ** 2 / (share * (1 - share) * np.log(1.5) ** 2) * repairs / events
    assert plain * 0.9 < row["repairs_needed"] < plain * 2


def test_a_method_seen_too_seldom_shows_its_counts_and_no_ratio(effects) -> None:
    row = effects.filter(repair_method="gasket_seals_bolts", time_scale="days").row(0, named=True)
    assert row["n"] == 8
    assert row["reason"].startswith("too few to say: 8 episodes")
    assert [row[name] for name in ("hazard_ratio", "low", "p_value", "q_value", "difference")] == [None] * 5


def test_a_method_that_never_leaked_among_many_has_no_ratio_but_a_reason(make, fitted, rules) -> None:
    kept = rules.model_copy(update={"min_events": 1})
    rows = [("re-leak" if i % 3 else "censored", 50.0 + i) for i in range(60)]
    held = [{"status": "censored", "days": 100.0, "repair_method": "cover_replaced"} for _ in range(20)]
    episodes = make(*rows, *held)
    row = method_effects(episodes, fitted(episodes), rules=kept).row(0, named=True)
    assert (row["n"], row["events"], row["hazard_ratio"]) == (20, 0, None)
    assert row["reason"]


def test_the_most_frequent_stated_method_is_the_reference() -> None:
    methods = pl.Series(["unstated"] * 9 + ["gasket"] * 3 + ["retightened"] * 3 + ["cover_replaced"])
    assert by_frequency(methods) == ("retightened", "gasket", "cover_replaced", "unstated")


def test_what_a_card_says_of_a_step(make, cards) -> None:
    """Under half the wait is skipped; what is not filled in, or not asked of the family, is not guessed."""
    episodes = make(*[("censored", 10.0)] * 5, {"status": "censored", "days": 10.0, "engine_family": "F2"})
    repair_records, families = cards(
        {"order_id": "e0000", "bolts_renewed": True, "settle_min": 20.0, "final_angle_deg": 25.0},
        {"order_id": "e0001", "bolts_renewed": False, "settle_min": 9.0, "final_angle_deg": 60.0},
        {"order_id": "e0002", "settle_min": 10.0},
        {"order_id": "e0003", "cover_position": "left", "bolts_renewed": True},
        {"order_id": "e0005", "settle_min": 0.0, "final_angle_deg": 60.0},
        F2={"settle_min": 0.0},
    )
    stepped = with_steps(episodes, repair_records, families)
    unknown = "not recorded"
    assert stepped["old_bolts"].to_list() == ["done", "skipped", unknown, unknown, unknown, unknown]
    assert stepped["no_settle_wait"].to_list() == ["done", "skipped", "done", unknown, unknown, None]
    assert stepped["no_final_angle"].to_list() == ["skipped", "done", unknown, unknown, unknown, "done"]


def test_a_skipped_step_is_found_and_an_empty_box_is_a_level_of_its_own(make, fitted, cards, rules) -> None:
    random = np.random.default_rng(9)
    rows, filled = [], []
    for i in range(1500):
        family, box = ("F1", "F2")[i % 2], (True, False, None)[i % 3]
        rows.append(drawn(random, 1.0 if box is True else 2.0 if box is False else 1.3, engine_family=family))
        filled.append({"order_id": f"e{i:04}", "faces_cleaned": box})
    episodes = make(*rows)
    effects = step_effects(episodes, fitted(episodes), *cards(*filled), rules=rules).filter(time_scale="days")
    skipped, unrecorded = (
        effects.filter(step="faces_not_cleaned", level=level).row(0, named=True)
        for level in ("skipped", "not recorded")
    )
    assert skipped["low"] < 2.0 < skipped["high"]
    assert skipped["low"] > 1.3
    assert unrecorded["low"] < 1.3 < unrecorded["high"]
    assert (skipped["n"], unrecorded["n"], skipped["n_reference"]) == (500, 500, 500)
    no_card = effects.filter(step="old_bolts", level="skipped").row(0, named=True)
    assert no_card["reason"] == "done: no episodes"
