"""What an order did to a cover: each way of saying it, and what must not count."""

from datetime import date
from typing import Any

import polars as pl
import pytest

from models.notes import read_orders
from models.tables.ledger import CoverWork

SINGLE, TWO_BANK = "A-4", "V-6"
COVERS = {SINGLE: "only", TWO_BANK: "left;right"}
FAMILIES = pl.DataFrame(
    {
        "engine_family": [SINGLE, TWO_BANK],
        "cover_positions": list(COVERS.values()),
        "gasket_part": ["A4-G01", "V6-G01"],
        "seal_part": ["A4-S04", None],
        "bolt_part": ["A4-B22", "V6-B22"],
    }
)


def _read(
    work_done: str, *, family: str = SINGLE, completed_on: date | None = None, **columns: str
) -> list[dict[str, Any]]:
    order = {"complaint": None, "parts": None, "job_code": None, "status": None} | columns
    frame = pl.DataFrame(
        {"order_id": "1", "vehicle_id": "v", "engine_family": family, "cover_positions": COVERS[family]}
        | {"work_done": work_done, "opened_on": date(2024, 3, 5), "completed_on": completed_on}
        | {name: [value] for name, value in order.items()},
        schema_overrides=dict.fromkeys(order, pl.String) | {"completed_on": pl.Date},
    )
    read = read_orders(frame, FAMILIES)
    CoverWork.validate(read)
    return read.to_dicts()


@pytest.mark.parametrize(
    ("work_done", "parts", "method"),
    [
        ("Rocker cover bolts nipped up", "", "retightened"),
        ("retorqued valve cover", "", "retightened"),
        ("Bead of RTV run round outside of rocker cover", "", "external_sealant"),
        ("Rocker cover off, faces cleaned, new gasket fitted, run up", "", "gasket"),
        ("RKR CVR GSKT RENEWED", "", "gasket"),
        ("rocker cover re-gasketed", "", "gasket"),
        ("Renewed as required", "A4 G01 x1", "gasket"),
        ("rocker cover gasket and plug tube seals renewed", "", "gasket_and_seals"),
        ("new rocker cover gasket", "A4-G01; A4-S04", "gasket_and_seals"),
        ("replaced valve cover gasket, plug tube seals and bolts", "", "gasket_seals_bolts"),
        ("V/C gasket, tube seals, bolts - all renewed", "", "gasket_seals_bolts"),
        ("New rocker cover complete with gasket fitted", "", "cover_replaced"),
        ("rocker cover cracked, cover replaced", "", "cover_replaced"),
        ("Resealed rocker cover", "", "unstated"),
        ("Rocker cover leak attended to", "", "unstated"),
    ],
)
def test_method_is_how_much_of_the_joint_was_renewed(work_done: str, parts: str, method: str) -> None:
    (read,) = _read(work_done, parts=parts)
    assert (read["work"], read["repair_method"]) == ("repair", method)
    assert read["deciding_words"]


def test_gasket_and_bolts_without_seals_is_a_gasket_with_new_bolts() -> None:
    (read,) = _read("rocker cover gasket and bolts renewed")
    assert (read["repair_method"], read["has_new_bolts"]) == ("gasket", True)


def test_modifiers_are_kept_beside_the_method() -> None:
    (read,) = _read("new rocker cover gasket, breather cleaned, cover face skimmed")
    assert (read["is_ventilation_serviced"], read["is_faces_machined"]) == (True, True)
    (plain,) = _read("new rocker cover gasket, faces cleaned")
    assert (plain["is_ventilation_serviced"], plain["is_faces_machined"]) == (False, False)


@pytest.mark.parametrize(
    ("work_done", "columns"),
    [
        ("Quoted for rocker cover gasket, customer declined", {"job_code": "cover_gasket"}),
        ("Rocker cover gasket leaking. Advised, not authorised.", {"parts": ""}),
        ("rocker cover gasket on order", {"job_code": "cover_gasket"}),
        ("Rocker cover gasket not fitted, no parts in stock", {}),
        ("rocker cover gasket needs replacing", {}),
        ("recommend rocker cover gasket at next service", {}),
        ("Rocker cover inspected, dry", {"job_code": "cover_gasket"}),
        ("rocker cover gasket leaking at rear", {}),
        ("Rocker cover gasket renewed", {"status": "cancelled"}),
        ("Wrong vehicle - rocker cover gasket done on another unit", {"parts": "A4-G01"}),
        ("booked in error, rocker cover gasket", {"job_code": "cover_gasket"}),
        ("sump gasket renewed", {"complaint": "oil leak"}),
        ("Timing cover gasket replaced", {"complaint": "oil leak"}),
        ("engine oil and filter changed, sump washer renewed", {"complaint": "service"}),
        ("Axle cover gasket replaced", {"complaint": "oil leak at rear axle"}),
        ("Rocker panel replaced", {}),
    ],
)
def test_what_was_not_done_to_a_cover_does_not_count(work_done: str, columns: dict[str, str]) -> None:
    (read,) = _read(work_done, **columns)
    assert (read["work"], read["repair_method"], read["occasion"]) == ("none", None, None)


def test_a_cover_refitted_on_its_old_gasket_was_only_off() -> None:
    (read,) = _read("Rocker cover removed for access to injectors, old gasket refitted")
    assert (read["work"], read["occasion"]) == ("cover_off", "other_work")


def test_an_engine_out_is_no_repair_of_the_cover() -> None:
    assert _read("Engine removed and exchange engine fitted")[0]["work"] == "engine_out"
    assert _read("Engine mount replaced")[0]["work"] == "none"


@pytest.mark.parametrize(
    ("complaint", "work_done", "occasion"),
    [
        ("Oil leak from rocker cover", "new rocker cover gasket", "leak"),
        ("engine oil leak", "new rocker cover gasket", "leak"),
        ("", "Rocker cover leaking at rear, new gasket fitted", "leak"),
        ("noisy tappets", "Valve clearances set, new rocker cover gasket", "other_work"),
        ("overheating", "Head gasket replaced, new rocker cover gasket", "other_work"),
        ("planned work", "rocker cover gasket renewed", "routine"),
        ("", "rocker cover gasket renewed at service as routine", "routine"),
        ("", "rocker cover bolts retightened", "routine"),
    ],
)
def test_occasion_is_why_the_joint_was_renewed(complaint: str, work_done: str, occasion: str) -> None:
    assert _read(work_done, complaint=complaint)[0]["occasion"] == occasion


@pytest.mark.parametrize(
    ("complaint", "says_oil"),
    [
        ("oil leak at rocker cover", True),
        ("engine oil leak", True),
        ("oil in plug wells", True),
        ("burning oil smell", False),
        ("check rocker cover for leaks", False),
        ("oil in coolant", False),
        ("oil leak at gearbox", False),
        ("coolant leak", False),
    ],
)
def test_complaint_says_oil_only_of_the_cover_or_of_no_place(complaint: str, says_oil: bool) -> None:
    assert _read("new rocker cover gasket", complaint=complaint)[0]["has_oil_complaint"] is says_oil


@pytest.mark.parametrize(
    ("complaint", "work_done", "positions"),
    [
        ("", "LH valve cover gasket renewed", ["left"]),
        ("", "both valve cover gaskets renewed", ["left", "right"]),
        ("", "L/H and R/H rocker cover gaskets renewed", ["left", "right"]),
        ("oil leak RH valve cover", "gasket renewed", ["right"]),
        ("", "valve cover gasket renewed", [""]),
        ("", "valve cover gasket renewed O/S", [""]),
    ],
)
def test_two_banks_take_the_side_that_is_named(complaint: str, work_done: str, positions: list[str]) -> None:
    read = _read(work_done, complaint=complaint, family=TWO_BANK)
    assert [row["cover_position"] for row in read] == positions


def test_a_complaint_of_the_other_bank_is_none_of_this_cover() -> None:
    (read,) = _read("LH valve cover gasket renewed", complaint="oil leak RH valve cover", family=TWO_BANK)
    assert (read["cover_position"], read["has_oil_complaint"]) == ("left", False)


def test_a_single_cover_is_the_only_one_whatever_side_is_named() -> None:
    assert [row["cover_position"] for row in _read("new rocker cover gasket, LH side leaking")] == ["only"]


def test_words_and_parts_together_are_surer_than_either() -> None:
    both = _read("new rocker cover gasket", parts="A4-G01")[0]["confidence"]
    words = _read("new rocker cover gasket")[0]["confidence"]
    parts = _read("done", parts="A4-G01")[0]["confidence"]
    code = _read("done", job_code="cover_gasket")[0]["confidence"]
    assert both > words > parts > code


@pytest.mark.parametrize(
    "work_done",
    [
        "Repaired cab roof cover",
        "Replace final drive cover, missing bolts",
        "Resealed swing box cover gasket",
        "Replaced side plate cover seal",
        "Replace engine alternator belt",
        "Renewed engine shutdown switch",
        "AC left engine out of gas",
        "Replace engine starter motor L/H",
        "Starter motor replaced",
    ],
)
def test_other_covers_and_parts_of_an_engine_are_not_the_rocker_cover_or_the_engine(work_done: str) -> None:
    (read,) = _read(work_done)
    assert read["work"] == "none"


@pytest.mark.parametrize(
    ("work_done", "method"),
    [
        (
            "Found v/c leaking, drops hold at edge. Full kit: v/c gasket, tube seals, bolts renewed",
            "gasket_seals_bolts",
        ),
        ("Weep at r/cover gkt - rkr cover gasket, tube seals, bolts - all renewed", "gasket_seals_bolts"),
        ("Torqued up RH v/c bolts, existing gasket left in", "retightened"),
    ],
)
def test_what_was_found_and_left_does_not_hide_what_was_done(work_done: str, method: str) -> None:
    (read,) = _read(work_done, family=TWO_BANK)
    assert (read["work"], read["repair_method"]) == ("repair", method)
    assert read["cover_position"] == ("right" if "RH" in work_done else "")


@pytest.mark.parametrize(
    ("complaint", "work_done"),
    [
        ("Engine misfiring", "No fresh oil at cam cover gasket. Plugs and coils checked, cyl 2 coil u/s, replaced"),
        ("Smoke from bonnet", "Rocker cover dry, plastic bag on exhaust removed"),
        ("misfire", "no oil at valve cover gskt. Plugs renewed"),
        ("MISFIRE", "DRY AROUND ROCKER COVER GSKT. COIL REPLACED, PLUGS OK"),
        ("Smoke from bonnet", "class II leak at valve cvr gask. / vehicle returned, repair booekd"),
        ("Hot oil smell", "L/H plug tube seals leak, oil in wells, topped up, repair to fololw"),
        ("Non starter", "Strater motor replaced"),
        ("ROUGH IDLE", "COULD NOT SEE ANY LEAK AT RKR CVR GSKT. COIL PACK AND LEADS REPLACED"),
        ("Smell of burning oil", "Cam cover ok, no leaks - brakes binding, freed off"),
        ("burning smell", "Rocker cover gasket weeping - topped up, repair to follow"),
        ("burning smell", "Rocker cover gasket leaking, drops forming but not falling, booked in for repair"),
    ],
)
def test_what_was_looked_at_is_not_what_was_replaced(complaint: str, work_done: str) -> None:
    (read,) = _read(work_done, complaint=complaint)
    assert read["work"] == "none"


@pytest.mark.parametrize(
    ("complaint", "work_done", "work", "method"),
    [
        ("oil at rocker cover", "Cover off, new gasket fitted", "repair", "gasket"),
        ("oil at rocker cover", "Torqued up valve cover bolts, existing gasket left in", "repair", "retightened"),
        ("oil at rocker cover", "Rocker cover bolts found loose, tightened; run up, ok", "repair", "retightened"),
        ("", "Stripped left bank rocker cover and fitted new gasket", "repair", "gasket"),
        ("", "Fitted new left rocker cover, old one distorted", "repair", "cover_replaced"),
        ("", "Injector seals renewed, valve cover refitted, gasket not renewed", "cover_off", None),
        ("", "New rocker cover gasket, faces cleaned, returned to driver", "repair", "gasket"),
        ("", "Engine removed and reconditioned unit fitted", "engine_out", None),
    ],
)
def test_a_bare_cover_and_what_stands_round_the_work_are_read_by_their_context(
    complaint: str, work_done: str, work: str, method: str | None
) -> None:
    read = _read(work_done, complaint=complaint, family=TWO_BANK if "left" in work_done else SINGLE)
    assert {(row["work"], row["repair_method"]) for row in read} == {(work, method)}


@pytest.mark.parametrize(
    ("parts", "work"),
    [("a4g01", "repair"), ("A4-G-01 x1", "repair"), ("A4-G012", "none"), ("XA4-G01", "none"), ("A4-G01", "repair")],
)
def test_a_part_number_counts_only_whole(parts: str, work: str) -> None:
    assert _read("done", parts=parts)[0]["work"] == work


@pytest.mark.parametrize(
    ("completed_on", "done_on"),
    [(date(2024, 3, 7), date(2024, 3, 7)), (date(2024, 3, 1), date(2024, 3, 5)), (None, date(2024, 3, 5))],
)
def test_work_is_done_at_its_completion_and_never_before_its_opening(completed_on: date | None, done_on: date) -> None:
    (read,) = _read("new rocker cover gasket", completed_on=completed_on)
    assert read["done_on"] == done_on
