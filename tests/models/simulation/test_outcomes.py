"""Each rule of how an episode ends, on a history written by hand."""

from types import SimpleNamespace

import pytest

from models.simulation.events import History, Mention, Note, Order, Renewal, Swap
from models.simulation.outcomes import episodes_of

EXTRACT, LAST_RECORD = 1_000, 990
WET = Mention("cover_gasket", "present", "left")
SMELL = Mention("none", "uncertain", "", "", "symptom", "burning smell")
UNPLACED = Mention("other_oil_leak", "present", "", "", "unplaced")


def _vehicle(sold: int | None = None) -> SimpleNamespace:
    return SimpleNamespace(sold=sold, km_at=lambda day: day * 50.0)


def _repair(opened: int, completed: int | None, *, position: str = "left", **order) -> Order:
    fields = {"work": "repair", "method": "gasket", **order}
    return Order(opened, completed, 0, "cover repair", positions=(position,), **fields)


def _ends(history: History, *, sold: int | None = None) -> list[tuple[str, str, int]]:
    for order in history.orders:
        if order.work in ("repair", "cover_off") and order.task == "cover repair":
            renewal = Renewal(order, order.positions[0], "E1", order.method, "leak", 1.0, (), False, None, None)
            history.renewals.append(renewal)
    episodes = episodes_of(_vehicle(sold), history, extract=EXTRACT, last_record=LAST_RECORD)
    return [(episode.end.status, episode.end.reason, episode.end.day) for episode in episodes]


def test_nothing_happens_until_the_last_record():
    assert _ends(History(orders=[_repair(100, 102)])) == [("censored", "last record", LAST_RECORD)]


@pytest.mark.parametrize(("day", "end"), [(102, ("censored", 990)), (103, ("re-leak", 103))])
def test_a_wet_look_counts_from_the_day_after_the_repair(day, end):
    history = History(orders=[_repair(100, 102)], notes=[Note(day, 0, [WET])])
    [(status, _, ended)] = _ends(history)
    assert (status, ended) == end


def test_without_a_completion_time_zero_is_the_opening():
    history = History(orders=[_repair(100, None)], notes=[Note(101, 0, [WET])])
    assert _ends(history) == [("re-leak", "wet look", 101)]


@pytest.mark.parametrize(
    "mention",
    [
        SMELL,
        UNPLACED,
        Mention("cover_gasket", "present", "right"),
        Mention("cover_gasket", "present", ""),
        Mention("cover_gasket", "uncertain", "left"),
        Mention("cover_gasket", "absent", "left"),
        Mention("cover_gasket", "resolved", "left"),
        Mention("other_oil_leak", "present", "", "", "plain", "timing cover"),
    ],
)
def test_what_is_no_wet_look_at_this_cover_ends_nothing(mention):
    history = History(orders=[_repair(100, 102)], notes=[Note(200, 0, [mention])])
    assert _ends(history) == [("censored", "last record", LAST_RECORD)]


def test_a_plug_tube_seal_belongs_to_its_cover():
    history = History(orders=[_repair(100, 102)], notes=[Note(200, 0, [Mention("plug_tube_seal", "present", "left")])])
    assert _ends(history) == [("re-leak", "wet look", 200)]


@pytest.mark.parametrize(
    ("complaint", "end"),
    [
        ([], ("competing", "repaired again without a leak", 300)),
        ([SMELL], ("competing", "repaired again without a leak", 300)),
        ([Mention("cover_gasket", "present", "right")], ("competing", "repaired again without a leak", 300)),
        ([WET], ("re-leak", "order complaint", 300)),
        ([UNPLACED], ("re-leak", "order complaint", 300)),
    ],
)
def test_a_second_repair_is_a_leak_only_if_its_complaint_says_oil(complaint, end):
    history = History(orders=[_repair(100, 102), _repair(300, 301, complaint=complaint)])
    assert _ends(history)[0] == end


def test_findings_count_except_on_the_order_that_repairs_the_cover():
    looked = Order(200, 200, 0, "smell", complaint=[SMELL], findings=[WET])
    assert _ends(History(orders=[_repair(100, 102), looked])) == [("re-leak", "wet look", 200)]
    repaired = _repair(200, 201, findings=[WET])
    assert _ends(History(orders=[_repair(100, 102), repaired]))[0] == (
        "competing", "repaired again without a leak", 200,
    )  # fmt: skip


def test_a_re_leak_goes_before_a_competing_end_of_the_same_day():
    history = History(orders=[_repair(100, 102), _repair(300, 301, work="cover_off")], notes=[Note(300, 0, [WET])])
    assert _ends(history)[0] == ("re-leak", "wet look", 300)


def test_other_work_the_engine_and_the_sale_compete():
    assert _ends(History(orders=[_repair(100, 102), _repair(300, 301, work="cover_off")]))[0] == (
        "competing", "cover off for other work", 300,
    )  # fmt: skip
    assert _ends(History(orders=[_repair(100, 102)], swaps=[Swap(400, 403)])) == [("competing", "engine removed", 400)]
    assert _ends(History(orders=[_repair(100, 102)]), sold=500) == [("competing", "vehicle out of service", 500)]


@pytest.mark.parametrize(("opened", "belongs"), [(115, True), (130, False)])
def test_a_planned_retightening_within_1000_km_is_part_of_the_repair(opened, belongs):
    planned = Order(opened, opened, 0, "planned retightening", "repair", ("left",), "retightened")
    [(status, _, _)] = _ends(History(orders=[_repair(100, 102), planned]))
    assert (status == "censored") is belongs


def test_a_repair_booked_twice_in_one_visit_is_one():
    again = Order(102, 102, 0, "booked twice", "repair", ("left",), "gasket")
    assert _ends(History(orders=[_repair(100, 102), again])) == [("censored", "last record", LAST_RECORD)]


def test_what_lies_beyond_the_extract_is_only_in_the_future():
    history = History(orders=[_repair(100, 102)], notes=[Note(EXTRACT + 50, 0, [WET])])
    assert _ends(history) == [("censored", "last record", LAST_RECORD)]
    [episode] = episodes_of(_vehicle(), history, extract=EXTRACT, last_record=LAST_RECORD)
    assert episode.future is not None
    assert episode.future.day == EXTRACT + 50


def test_an_order_still_open_at_the_extract_complains_but_repairs_nothing():
    open_order = _repair(EXTRACT - 1, EXTRACT + 2, complaint=[WET])
    assert _ends(History(orders=[_repair(100, 102), open_order])) == [("re-leak", "order complaint", EXTRACT - 1)]
    vague = _repair(EXTRACT - 1, EXTRACT + 2, complaint=[UNPLACED])
    assert _ends(History(orders=[_repair(100, 102), vague]))[0][0] == "censored"
