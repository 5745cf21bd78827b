from datetime import date, timedelta
from typing import Any

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.planning import pick_list, plan
from models.planning.plan import Visit, place
from models.settings import PlanRules
from models.tables import schema_of
from models.tables.plan import Parts, Plan

AS_OF = date(2026, 6, 3)
FIRST_MONDAY = date(2026, 6, 1)


def flag(vehicle_id: str, **row: Any) -> dict[str, Any]:
    plain = {
        "vehicle_id": vehicle_id,
        "engine_id": f"e-{vehicle_id}",
        "engine_family": "K4",
        "cover_position": "only",
        "site": "North",
        "as_of": AS_OF,
        "probability": 0.5,
        "horizon_days": 60,
        "priority": 1,
        "due_by": date(2026, 7, 1),
        "rules": ["high_probability"],
        "reasons": "words",
        "evidence_ids": [],
    }
    return {**plain, **row}


def flags_of(*rows: dict[str, Any]) -> pl.DataFrame:
    return pl.DataFrame(list(rows), schema=schema_of("flags").create_empty().schema)


def families_of(**row: Any) -> pl.DataFrame:
    plain = {
        "engine_family": "K4",
        "plug_tubes": True,
        "gasket_part": "G-1",
        "seal_part": "S-1",
        "bolt_part": "B-1",
        "standard_hours": 2.0,
    }
    schema = schema_of("engine_families").create_empty().schema
    return pl.DataFrame([{name: (plain | row).get(name) for name in schema}], schema=schema)


def planned(*rows: dict[str, Any], families: pl.DataFrame | None = None, **rules: Any) -> pl.DataFrame:
    known = families_of() if families is None else families
    return plan(flags_of(*rows), known, rules=PlanRules(**rules), as_of=AS_OF, currency="EUR")


def week_of(found: pl.DataFrame, vehicle_id: str) -> int | None:
    start = found.filter(vehicle_id=vehicle_id)["week_start"][0]
    return None if start is None else (start - FIRST_MONDAY).days // 7


class TestWhatAVisitTakes:
    def test_hours_loss_and_days(self):
        row = planned(flag("v1", probability=0.25)).row(0, named=True)
        assert row["hours"] == pytest.approx(0.5 + 0.25 * 2.0)
        assert row["loss_avoided"] == pytest.approx(0.25 * (900.0 - 220.0))
        assert row["days_off_road"] == pytest.approx(1.0 / 8.0)
        assert row["chance_of_repair"] == 0.25
        assert "an expected 170 EUR" in row["reason"]

    def test_standard_repair_hours_where_the_family_states_none(self):
        slow = planned(flag("v1"), families=families_of(standard_hours=None), repair_hours=4.0)
        assert slow["hours"].item() == pytest.approx(0.5 + 0.5 * 4.0)

    def test_a_flag_without_a_probability(self):
        row = planned(flag("v1", probability=None), chance_if_unknown=0.2).row(0, named=True)
        assert row["chance_of_repair"] == 0.2

    @pytest.mark.parametrize("rule", ["smell_or_drops", "oil_rate_shifted"])
    def test_a_cover_that_smells_or_takes_more_oil_is_no_safer_for_having_been_dry(self, rule):
        suspect = planned(flag("v1", probability=0.005, rules=[rule, "post_repair_check"]), chance_if_unknown=0.2)
        assert suspect["chance_of_repair"].item() == 0.2
        likely = planned(flag("v1", probability=0.6, rules=[rule]), chance_if_unknown=0.2)
        assert likely["chance_of_repair"].item() == 0.6
        routine = planned(flag("v1", probability=0.005, rules=["post_repair_check"]), chance_if_unknown=0.2)
        assert routine["chance_of_repair"].item() == 0.005

    def test_a_repair_dearer_than_the_leak_avoids_nothing(self):
        assert planned(flag("v1"), planned_repair_cost=2_000.0)["loss_avoided"].item() == 0.0

    def test_parts_are_named_where_a_repair_is_likely(self):
        found = planned(flag("v1", probability=0.5), flag("v2", probability=0.49)).sort("vehicle_id")
        assert found["parts"].to_list() == ["G-1; S-1; B-1", ""]

    def test_an_unknown_family_still_gets_a_visit(self):
        found = planned(flag("v1", engine_family="never seen"))
        assert found["placed"].item()
        assert Plan.is_valid(found)


class TestWeeks:
    def test_starts_on_the_monday_of_the_same_week(self):
        assert planned(flag("v1"))["week_start"].item() == FIRST_MONDAY
        on_monday = plan(flags_of(flag("v1")), families_of(), rules=PlanRules(), as_of=FIRST_MONDAY, currency="EUR")
        assert on_monday["week_start"].item() == FIRST_MONDAY

    def test_both_covers_of_a_vehicle_share_a_visit(self):
        found = planned(
            flag("v1", cover_position="left", probability=0.9),
            flag("v1", cover_position="right", probability=0.1),
            *(flag(f"w{number}", probability=0.8) for number in range(6)),
            bay_hours_per_week=3.1,
        )
        both = found.filter(vehicle_id="v1")
        assert both["week_start"].n_unique() == 1
        assert both["placed"].all()
        assert both["reason"].str.contains("one visit with the vehicle's other cover").all()

    def test_urgent_visits_fill_the_first_week(self):
        urgent = {"rules": ["smell_or_drops"], "probability": 0.1, "due_by": AS_OF}
        found = planned(
            *(flag(f"u{number}", **urgent) for number in range(4)),
            flag("v1", probability=1.0, due_by=FIRST_MONDAY),
            bay_hours_per_week=2.8,
        )
        assert [week_of(found, f"u{number}") for number in range(4)] == [0, 0, 0, 0]
        assert week_of(found, "v1") == 1
        assert found.filter(vehicle_id="u0")["reason"].item().startswith("urgent: before anything else")

    def test_urgent_visits_over_capacity_wait_and_say_so(self):
        urgent = {"rules": ["smell_or_drops"], "due_by": AS_OF}
        found = planned(flag("u1", **urgent), flag("u2", **urgent), bay_hours_per_week=2.0)
        assert sorted([week_of(found, "u1"), week_of(found, "u2")]) == [0, 1]
        assert found.filter(vehicle_id="u2")["reason"].item().startswith("urgent, but the weeks before are full")

    def test_due_days_hold_against_worth_where_both_fit(self):
        found = planned(
            flag("dear", probability=1.0, due_by=FIRST_MONDAY + timedelta(days=10)),
            flag("soon", probability=0.75, due_by=FIRST_MONDAY),
            bay_hours_per_week=2.5,
        )
        assert (week_of(found, "soon"), week_of(found, "dear")) == (0, 1)

    def test_what_is_worth_more_an_hour_goes_first_where_both_do_not(self):
        due = {"due_by": FIRST_MONDAY}
        found = planned(
            flag("dear", probability=1.0, **due), flag("soon", probability=0.75, **due), bay_hours_per_week=2.5
        )
        assert (week_of(found, "dear"), week_of(found, "soon")) == (0, 1)
        assert (
            "was due by 1 Jun 2026, but the weeks before are full" in found.filter(vehicle_id="soon")["reason"].item()
        )

    def test_visits_move_forward_into_free_weeks(self):
        found = planned(flag("v1", due_by=FIRST_MONDAY + timedelta(weeks=6)))
        assert week_of(found, "v1") == 0

    def test_what_does_not_fit_is_listed_with_its_cost(self):
        found = planned(*(flag(f"v{number}", probability=1.0) for number in range(3)), weeks=2, bay_hours_per_week=2.5)
        left = found.filter(~pl.col("placed"))
        assert left.height == 1
        assert left["week_start"].item() is None
        assert "no bay hours left in the 2 weeks planned" in left["reason"].item()
        assert "waiting costs an expected 680 EUR" in left["reason"].item()

    def test_a_visit_longer_than_a_week_is_listed_with_the_reason(self):
        found = planned(flag("v1", probability=1.0), bay_hours_per_week=2.0)
        assert not found["placed"].item()
        assert "takes 2.5 h, more than the 2.0 h a week" in found["reason"].item()

    def test_sites_have_their_own_bays(self):
        found = planned(
            flag("v1", probability=1.0),
            flag("v2", probability=1.0, site="South"),
            site_bay_hours_per_week={"South": 1.0},
        )
        assert found.sort("vehicle_id")["placed"].to_list() == [True, False]


VISITS = st.lists(
    st.tuples(st.floats(0.1, 6.0), st.floats(0.0, 900.0), st.booleans(), st.integers(0, 9)), max_size=40
).map(lambda rows: [Visit(f"v{number}", *row) for number, row in enumerate(rows)])


@settings(deadline=None)
@given(VISITS, st.floats(0.5, 12.0), st.integers(1, 8))
def test_no_week_is_over_capacity_and_nothing_waits_beside_a_gap(visits, capacity_hours, weeks):
    week_of_visit = place(visits, capacity_hours=capacity_hours, weeks=weeks)
    used = [sum(v.hours for v in visits if week_of_visit.get(v.vehicle_id) == week) for week in range(weeks)]
    assert max(used) <= capacity_hours + 1e-6
    waiting = [visit for visit in visits if visit.vehicle_id not in week_of_visit]
    assert all(visit.hours > capacity_hours - hours - 1e-6 for visit in waiting for hours in used)
    assert set(week_of_visit.values()) <= set(range(weeks))


@settings(deadline=None)
@given(VISITS, st.randoms())
def test_places_do_not_depend_on_the_order_of_visits(visits, random):
    shuffled = random.sample(visits, len(visits))
    assert place(shuffled, capacity_hours=5.0, weeks=4) == place(visits, capacity_hours=5.0, weeks=4)


def test_the_plan_does_not_depend_on_the_order_of_flags():
    rows = [flag(f"v{number}", probability=0.1 * (number % 9 + 1)) for number in range(30)]
    assert planned(*rows, weeks=2).equals(planned(*reversed(rows), weeks=2))


class TestPickList:
    def test_expected_quantities_are_rounded_up_by_week_and_site(self):
        found = planned(*(flag(f"v{number}", probability=0.3) for number in range(5)), flag("s", site="South"))
        parts = pick_list(found, families_of())
        assert parts.filter(site="North", part="G-1")["quantity"].item() == 2
        assert parts.filter(site="South")["quantity"].to_list() == [1, 1, 1]
        assert Parts.is_valid(parts)

    def test_chances_that_add_up_to_a_whole_number_are_not_rounded_past_it(self):
        parts = pick_list(planned(*(flag(f"v{number}", probability=0.1) for number in range(10))), families_of())
        assert parts["quantity"].to_list() == [1, 1, 1]

    def test_only_what_is_placed_counts(self):
        assert pick_list(planned(flag("v1", probability=1.0), bay_hours_per_week=2.0), families_of()).is_empty()

    def test_seals_only_with_plug_tubes_and_names_where_there_are_no_numbers(self):
        bare = families_of(plug_tubes=False, gasket_part=None, bolt_part=None)
        parts = pick_list(planned(flag("v1"), families=bare), bare)
        assert parts.select("part", "description").rows() == [("cover gasket of K4", "cover gasket")]


def test_no_flags_no_plan_no_parts():
    found = planned()
    assert found.is_empty()
    assert Plan.is_valid(found)
    parts = pick_list(found, families_of())
    assert parts.is_empty()
    assert Parts.is_valid(parts)
