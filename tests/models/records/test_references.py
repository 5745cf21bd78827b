"""Rows whose vehicle or order has not arrived are held, and released by themselves."""

import polars as pl


def test_held_rows_are_released_when_what_they_name_arrives(landing, sound_row) -> None:
    landing.add("engine_families", [sound_row("engine_families")])
    orders = landing.add("work_orders", [sound_row("work_orders")])
    cards = landing.add("repair_records", [sound_row("repair_records")])
    top_ups = landing.add("oil_top_ups", [sound_row("oil_top_ups")])
    for load in (orders, cards, top_ups):
        assert landing.outcomes(load) == ["refused"]
    held = landing.build().refused
    assert held["reason"].str.contains("held until it arrives").all()
    assert dict(held.select("kind", "column_name").rows()) == {
        "work_orders": "vehicle_id",
        "repair_records": "order_id",
        "oil_top_ups": "vehicle_id",
    }
    landing.add("vehicles", [sound_row("vehicles")], day=9)
    for load in (orders, cards, top_ups):
        assert landing.outcomes(load) == ["accepted"]
    assert landing.build().refused.is_empty()


def test_a_vehicle_whose_engine_family_has_no_reference_row_stands(landing, sound_row) -> None:
    vehicles = landing.add("vehicles", [sound_row("vehicles")])
    notes = landing.add("inspection_notes", [sound_row("inspection_notes")])
    assert (landing.outcomes(vehicles), landing.outcomes(notes)) == (["accepted"], ["accepted"])


def test_a_held_row_still_counts_once(landing, sound_row) -> None:
    load = landing.add("oil_top_ups", [sound_row("oil_top_ups", vehicle_id="V404")] * 2)
    outcomes = landing.build().outcomes.filter(pl.col("load_id") == load)
    assert outcomes.select("row_number", "outcome").rows() == [(2, "refused"), (3, "refused")]
