import polars as pl

from models.records import with_pseudonyms
from models.settings import FleetSettings, Settings

TABLES = {
    "work_orders": pl.DataFrame({"technician": ["A. Sample", "a.  sample", "B. Other", None]}),
    "inspection_notes": pl.DataFrame({"author": ["A. Sample"]}),
    "vehicles": pl.DataFrame({"vehicle_id": ["A. Sample"]}),
}


def test_a_person_has_one_pseudonym_everywhere_and_nobody_else_has_it() -> None:
    hidden = with_pseudonyms(TABLES, fleet=FleetSettings())
    one, same, other, nobody = hidden["work_orders"]["technician"]
    assert one == same == hidden["inspection_notes"]["author"][0]
    assert one.startswith("P-")
    assert (other != one, nobody) == (True, None)
    assert hidden["vehicles"].equals(TABLES["vehicles"])


def test_another_key_gives_other_pseudonyms_and_is_never_published() -> None:
    mine = FleetSettings(pseudonym_key="ours alone")
    first = with_pseudonyms(TABLES, fleet=mine)["work_orders"]["technician"][0]
    assert first != with_pseudonyms(TABLES, fleet=FleetSettings())["work_orders"]["technician"][0]
    assert "ours alone" not in Settings(fleet=mine).model_dump_json()


def test_names_are_kept_only_where_showing_them_is_agreed() -> None:
    shown = with_pseudonyms(TABLES, fleet=FleetSettings(show_technicians=True))
    assert shown["work_orders"].equals(TABLES["work_orders"])
