"""Duplicates, corrections, order lines."""

from datetime import date

import polars as pl
import pytest


def _order(fleet, order_id: str) -> dict[str, object]:
    return fleet.build().tables["work_orders"].row(by_predicate=pl.col("order_id") == order_id, named=True)


def test_an_exact_repeat_is_a_duplicate_wherever_it_stands_and_the_earliest_is_kept(fleet, sound_row) -> None:
    row = sound_row("oil_top_ups")
    later = fleet.add("oil_top_ups", [row], day=3)
    earlier = fleet.add("oil_top_ups", [row, row], day=2)
    assert fleet.outcomes(earlier) == ["accepted", "duplicate"]
    assert fleet.outcomes(later) == ["duplicate"]
    table = fleet.build().tables["oil_top_ups"]
    assert table.select("load_id", "row_number").rows() == [(earlier, 2)]


def test_the_same_fact_in_other_units_and_formats_is_the_same(fleet) -> None:
    fleet.add("oil_top_ups", [{"vehicle_id": "V1", "topped_up_at": "2024-03-04", "volume": "1.5", "odometer": "10"}])
    second = fleet.add(
        "oil_top_ups", [{"vehicle_id": "V1", "topped_up_at": "04.03.2024", "volume": "1500", "odometer": "10,0"}],
        day=2, units={"volume": "mL"}, dates={"topped_up_at": "day_first"}, decimal=",",
    )  # fmt: skip
    assert fleet.outcomes(second) == ["duplicate"]


@pytest.mark.parametrize(
    ("kind", "column", "value"),
    [
        ("engine_families", "stage1_nm", "9"),
        ("vehicles", "site", "South"),
        ("engine_fitments", "removed_on", "2024-01-01"),
        ("work_orders", "work_done", "cover re-tightened"),
        ("repair_records", "bolts_renewed", "no"),
    ],
)
def test_a_later_file_with_the_same_key_supersedes(fleet, sound_row, kind: str, column: str, value: str) -> None:
    fleet.loads.setdefault(kind, []).clear()
    first = fleet.add(kind, [sound_row(kind)], day=1)
    second = fleet.add(kind, [sound_row(kind, **{column: value})], day=2)
    assert (fleet.outcomes(first), fleet.outcomes(second)) == (["superseded"], ["accepted"])
    table = fleet.build().tables[kind]
    assert table["load_id"].to_list() == [second]


def test_a_numbered_note_is_corrected_and_an_unnumbered_one_is_another_note(fleet, sound_row) -> None:
    numbered = [sound_row("inspection_notes", note_id="N1", text=text) for text in ("weeping", "dry")]
    load = fleet.add("inspection_notes", numbered)
    assert fleet.outcomes(load) == ["superseded", "accepted"]
    bare = fleet.add("inspection_notes", [sound_row("inspection_notes", text=text) for text in ("weeping", "dry")])
    assert fleet.outcomes(bare) == ["accepted", "accepted"]
    assert fleet.build().tables["inspection_notes"].height == 3


@pytest.mark.parametrize(
    ("earlier", "later"),
    [
        ("orders_2025.csv", "orders_2025_corrected.csv"),
        ("orders_2025.csv", "orders_2025 (2).jsonl.gz"),
        ("orders_2025_corrected.csv", "orders_2026.csv"),
        ("orders_9.csv", "orders_10.csv"),
        ("Orders_9.csv", "orders_10.CSV"),
        ("2025/orders.csv", "2026/orders.csv"),
    ],
)
def test_a_file_corrects_those_whose_names_come_before_its_own_whenever_they_arrived(
    fleet, sound_row, earlier: str, later: str
) -> None:
    fleet.add("vehicles", [sound_row("vehicles", site="right")], day=2, name=later)
    fleet.add("vehicles", [sound_row("vehicles", site="wrong")], day=3, name=earlier)
    fleet.loads["vehicles"].pop(0)
    assert fleet.build().tables["vehicles"]["site"].to_list() == ["right"]


def test_a_file_replaced_under_its_own_name_corrects_what_it_said_before(fleet, sound_row) -> None:
    fleet.add("vehicles", [sound_row("vehicles", site="right")], day=4, name="register.csv")
    fleet.add("vehicles", [sound_row("vehicles", site="wrong")], day=3, name="register.csv")
    assert fleet.build().tables["vehicles"]["site"].to_list() == ["right"]


@pytest.mark.parametrize(
    ("kind", "column"), [("oil_top_ups", "volume"), ("odometer_readings", "odometer"), ("inspection_notes", "text")]
)
def test_what_a_replaced_file_says_of_a_vehicle_and_moment_supersedes_what_it_said_before(
    fleet, sound_row, kind: str, column: str
) -> None:
    days = {"oil_top_ups": "topped_up_at", "odometer_readings": "read_at", "inspection_notes": "noted_at"}
    other_day = sound_row(kind, **{days[kind]: "2024-02-01", column: "7"})
    first = fleet.add(kind, [sound_row(kind, **{column: "3"}), other_day], day=1, name="log.csv")
    told = [sound_row(kind, **{column: value}) for value in ("4", "5")]
    elsewhere = fleet.add(kind, [sound_row(kind, **{column: "6"})], day=1, name="other log.csv")
    second = fleet.add(kind, told, day=2, name="log.csv")
    third = fleet.add(kind, told[:1], day=3, name="log.csv")
    assert fleet.outcomes(first) == ["superseded", "accepted"]
    assert fleet.outcomes(second) == ["accepted", "superseded"]
    assert fleet.outcomes(third) == ["duplicate"]
    assert fleet.outcomes(elsewhere) == ["accepted"]


def test_a_correction_taken_back_stands_as_it_first_was(fleet, sound_row) -> None:
    loads = [fleet.add("vehicles", [sound_row("vehicles", site=site)], day=day) for day, site in
             [(2, "South"), (3, "East"), (4, "South"), (5, "South")]]  # fmt: skip
    assert [fleet.outcomes(load)[0] for load in loads] == ["superseded", "superseded", "accepted", "duplicate"]
    assert fleet.build().tables["vehicles"]["site"].to_list() == ["South"]


def test_order_lines_fold(fleet, sound_row) -> None:
    lines = [
        sound_row("work_orders", order_id="W7", opened_at="2024-03-05", work_done="gasket", parts="gasket",
                  labour_hours="1.5", completed_at="2024-03-06", status="open", complaint="", odometer=""),
        sound_row("work_orders", order_id="W7", opened_at="2024-03-04", work_done="", parts="bolts",
                  labour_hours="0.5", completed_at="", status="closed", complaint="oil smell", odometer="9000"),
        sound_row("work_orders", order_id="W7", opened_at="2024-03-05", work_done="gasket", parts="gasket",
                  labour_hours="", completed_at="2024-03-08", status="", complaint="oil smell", odometer="9001"),
    ]  # fmt: skip
    load = fleet.add("work_orders", [*lines, lines[0]])
    assert fleet.outcomes(load) == ["accepted", "accepted", "accepted", "duplicate"]
    order = _order(fleet, "W7")
    assert (order["work_done"], order["parts"], order["complaint"]) == ("gasket", "gasket; bolts", "oil smell")
    assert (order["labour_hours"], order["parts_cost"], order["line_count"]) == (2.0, None, 3)
    assert (order["opened_on"], order["completed_on"]) == (date(2024, 3, 4), date(2024, 3, 8))
    assert (order["status"], order["odometer_km"], order["row_number"]) == ("closed", 9000.0, 2)


def test_an_order_that_returns_unchanged_is_a_duplicate_in_whatever_order_its_lines_come(fleet, sound_row) -> None:
    lines = [sound_row("work_orders", order_id="W7", parts=part) for part in ("gasket", "bolts")]
    first = fleet.add("work_orders", lines, day=2)
    again = fleet.add("work_orders", lines[::-1], day=3)
    assert (fleet.outcomes(first), fleet.outcomes(again)) == (["accepted"] * 2, ["duplicate"] * 2)
    assert _order(fleet, "W7")["parts"] == "gasket; bolts"


def test_a_changed_order_supersedes_all_its_earlier_lines(fleet, sound_row) -> None:
    lines = [sound_row("work_orders", order_id="W7", parts=part, labour_hours="1") for part in ("gasket", "bolts")]
    first = fleet.add("work_orders", lines, day=2)
    changed = fleet.add("work_orders", [lines[0], sound_row("work_orders", order_id="W7", parts="cover")], day=3)
    assert fleet.outcomes(first) == ["superseded", "superseded"]
    assert fleet.outcomes(changed) == ["accepted", "accepted"]
    assert (_order(fleet, "W7")["parts"], _order(fleet, "W7")["labour_hours"]) == ("gasket; cover", 1.0)


def test_a_line_that_names_another_vehicle_is_refused(fleet, sound_row) -> None:
    fleet.add("vehicles", [sound_row("vehicles", vehicle_id="V2")])
    load = fleet.add(
        "work_orders",
        [sound_row("work_orders", order_id="W7"), sound_row("work_orders", order_id="W7", vehicle_id="V2")],
    )
    assert fleet.outcomes(load) == ["accepted", "refused"]
    assert "another vehicle than V1, which the first line of order W7" in fleet.build().refused["reason"][0]


def test_a_refused_correction_leaves_what_stood(fleet, sound_row) -> None:
    wrong = fleet.add("vehicles", [sound_row("vehicles", in_service_on="2024-02-30")], day=2)
    assert fleet.outcomes(wrong) == ["refused"]
    assert fleet.build().tables["vehicles"]["engine_family"].to_list() == ["KESTREL-4"]


def test_made_up_identifiers_do_not_depend_on_how_files_are_split_or_ordered(fleet, landing, sound_row) -> None:
    rows = [sound_row("oil_top_ups", volume=str(volume)) for volume in range(1, 8)]
    fleet.add("oil_top_ups", rows)
    for kind in ("engine_families", "vehicles"):
        landing.add(kind, [sound_row(kind)])
    landing.add("oil_top_ups", rows[4:][::-1], day=2)
    landing.add("oil_top_ups", rows[:5], day=3, format="jsonl")
    columns = ["top_up_id", "volume_litres"]
    whole, split = (made.build().tables["oil_top_ups"].select(columns) for made in (fleet, landing))
    assert whole.height == 7
    assert whole.equals(split)


def test_a_made_up_identifier_is_the_published_digest_of_the_content(fleet) -> None:
    # By coreutils' b2sum: printf 'V1\x1f1709510400000000\x1f2024-03-04\x1f120000.0\x1f\x00' | b2sum -l 80
    fleet.add("odometer_readings", [{"vehicle_id": "V1", "read_at": "2024-03-04", "odometer": "120000"}])
    assert fleet.build().tables["odometer_readings"]["reading_id"].to_list() == ["9b9a93904b2d1fae13b5"]
