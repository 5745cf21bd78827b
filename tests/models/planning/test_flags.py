import re
from collections.abc import Callable
from datetime import UTC, date, datetime, time, timedelta
from functools import partial
from typing import Any

import polars as pl
import pytest
from scipy.stats import weibull_min

from models.episodes import last_records
from models.episodes.distances import km_to_end
from models.episodes.residue import RESIDUE_SYMPTOMS
from models.notes import read_notes
from models.planning import FleetLedger, flags, known_by, leaks_out_of_sight
from models.planning.lives import repair_lives
from models.settings import EpisodeRules, FlagRules, OilRules
from models.tables import schema_of
from models.tables.plan import Flags, LeaksOutOfSight

AS_OF = date(2026, 6, 1)
SMELL = min(RESIDUE_SYMPTOMS)


def noon(day: date) -> datetime:
    return datetime.combine(day, time(12), UTC)


def table(name: str, rows: list[dict[str, Any]]) -> pl.DataFrame:
    """Rows of a table, nulls where a row says nothing."""
    schema = schema_of(name).create_empty().schema
    return pl.DataFrame([{column: row.get(column) for column in schema} for row in rows], schema=schema)


def family(**row: Any) -> dict[str, Any]:
    plain = {
        "engine_family": "K4",
        "cover_positions": "only",
        "plug_tubes": True,
        "gasket_part": "G-1",
        "seal_part": "S-1",
        "bolt_part": "B-1",
        "standard_hours": 2.0,
        "sump_litres": 5.0,
    }
    return plain | row


def vehicle(vehicle_id: str = "v1", **row: Any) -> dict[str, Any]:
    plain = {"engine_family": "K4", "site": "North", "in_service_on": date(2020, 1, 1), "engine_id": f"e-{vehicle_id}"}
    return {"vehicle_id": vehicle_id} | plain | row


def reading(vehicle_id: str, read_on: date, km: float) -> dict[str, Any]:
    return {
        "vehicle_id": vehicle_id,
        "read_at": noon(read_on),
        "read_on": read_on,
        "odometer_km": km,
        "distance_km": km,
        "is_used": True,
        "use": "used",
        "origin_kind": "odometer_readings",
        "origin_id": f"{vehicle_id}-{read_on}",
    }


def finding(evidence_id: str, noted_on: date, vehicle_id: str = "v1", **row: Any) -> dict[str, Any]:
    plain = {
        "evidence_id": evidence_id,
        "vehicle_id": vehicle_id,
        "engine_id": f"e-{vehicle_id}",
        "cover_position": "",
        "noted_on": noted_on,
        "noted_at": noon(noted_on),
        "component": "cover_gasket",
        "polarity": "present",
        "symptoms": "",
        "hot_part": "",
        "span_text": "oil at the rocker cover",
        "location": "",
        "origin_kind": "inspection_notes",
        "origin_id": f"n-{evidence_id}",
    }
    return plain | row


def repair(repaired_on: date, vehicle_id: str = "v1", ended_on: date = AS_OF, **row: Any) -> dict[str, Any]:
    plain = {
        "episode_id": f"{vehicle_id}-{repaired_on}",
        "order_id": f"o-{vehicle_id}-{repaired_on}",
        "vehicle_id": vehicle_id,
        "engine_id": f"e-{vehicle_id}",
        "engine_family": "K4",
        "cover_position": "only",
        "site": "North",
        "repair_method": "gasket",
        "repaired_on": repaired_on,
        "repaired_at": noon(repaired_on),
        "status": "censored",
        "ended_on": ended_on,
        "ended_at": noon(ended_on),
    }
    return plain | row


@pytest.fixture
def make_ledger() -> Callable[..., FleetLedger]:
    """A ledger of one vehicle with one cover and a recent note, altered by lists of rows per table."""

    def build(as_of: date = AS_OF, **rows: list[dict[str, Any]]) -> FleetLedger:
        seen = rows.pop("last_seen", [{"vehicle_id": "v1", "on": date(2026, 5, 25)}])
        notes = table(
            "inspection_notes",
            [{"vehicle_id": row["vehicle_id"], "noted_on": row["on"], "noted_at": noon(row["on"])} for row in seen],
        )
        others = [table(kind, []) for kind in ("work_orders", "oil_top_ups")]
        plain: dict[str, list[dict[str, Any]]] = {"vehicles": [vehicle()], "engine_families": [family()]}
        names = [name for name in FleetLedger.__dataclass_fields__ if name != "last_seen"]
        tables = {name: table(name, rows.get(name, plain.get(name, []))) for name in names}
        km = km_to_end(tables["episodes"], tables["odometer_curve"])
        return FleetLedger(
            **tables | {"episodes": tables["episodes"].with_columns(km)},
            last_seen=last_records(*others, notes, table("odometer_readings", []), as_of=as_of),
        )

    return build


def ago(days: int) -> date:
    return AS_OF - timedelta(days=days)


def flag_at(ledger: FleetLedger, as_of: date = AS_OF, **rules: Any) -> pl.DataFrame:
    return flags(ledger, rules=FlagRules(**rules), oil_rules=OilRules(), episode_rules=EpisodeRules(), as_of=as_of)


def only(frame: pl.DataFrame) -> dict[str, Any]:
    assert frame.height == 1, frame
    return frame.row(0, named=True)


def rules_of(frame: pl.DataFrame) -> list[str]:
    return only(frame)["rules"]


class TestSmellOrDrops:
    @pytest.mark.parametrize(
        ("row", "words"),
        [
            *(
                ({"component": "none", "polarity": "uncertain", "symptoms": said}, "Burning smell or smoke")
                for smell in sorted(RESIDUE_SYMPTOMS)
                for said in (smell, f"misfire;{smell}")
            ),
            ({"leak_class": "II"}, "Drops (class II)"),
            ({"leak_class": "III"}, "Drops (class III)"),
        ],
    )
    def test_is_due_the_day_it_was_noted_with_its_caution(self, make_ledger, row, words):
        flag = only(flag_at(make_ledger(evidence=[finding("a", date(2026, 5, 12), **row)])))
        assert flag["rules"][0] == "smell_or_drops"
        assert flag["due_by"] == date(2026, 5, 12), "it has been overdue since"
        assert flag["reasons"].startswith(f"{words} on 12 May 2026")
        assert "before the vehicle is driven again" in flag["reasons"]
        assert flag["evidence_ids"] == ["a"]

    @pytest.mark.parametrize(
        ("text", "is_urgent"),
        [
            ("RCKR CVR GASKT LEAKNG BADLY OIL ON EXHAUST FIRE RISK", True),
            ("rocker cover gasket leaking onto exhaust manifold", True),
            ("rocker cover leaking on exhaust side", False),
            ("rocker cover leaking, turbo drain leaking onto exhaust", False),
        ],
    )
    def test_oil_near_the_exhaust_is_read_from_the_words_of_a_note(self, make_ledger, text, is_urgent):
        said = read_notes([text]).drop("position", "text_index").filter(component="cover_gasket").to_dicts()
        flag = only(flag_at(make_ledger(evidence=[finding("a", date(2026, 5, 12), **row) for row in said])))
        assert ("smell_or_drops" in flag["rules"]) == is_urgent
        assert flag["reasons"].startswith("Oil near the exhaust on 12 May 2026") == is_urgent

    @pytest.mark.parametrize(
        "row",
        [
            {"component": "other_fluid", "symptoms": SMELL},
            {"component": "none", "polarity": "absent", "symptoms": SMELL},
            {"component": "none", "polarity": "uncertain", "symptoms": "misfire"},
            {"component": "none", "polarity": "uncertain", "symptoms": "exhaust_smoke"},
        ],
    )
    def test_leaves_other_findings_alone(self, make_ledger, row):
        assert flag_at(make_ledger(evidence=[finding("a", ago(20), **row)])).is_empty()

    def test_a_dry_look_on_a_later_day_answers_it(self, make_ledger):
        smell = finding("a", ago(20), component="none", polarity="uncertain", symptoms="smoke")
        assert flag_at(make_ledger(evidence=[smell, finding("b", ago(19), polarity="absent")])).is_empty()
        same_day = make_ledger(evidence=[smell, finding("b", ago(20), polarity="absent")])
        assert rules_of(flag_at(same_day)) == ["smell_or_drops"]

    def test_a_repair_answers_it(self, make_ledger):
        drops = finding("a", ago(20), leak_class="III")
        assert flag_at(make_ledger(evidence=[drops], episodes=[repair(ago(20))])).is_empty()

    @pytest.mark.parametrize(("days", "rules"), [(90, ["smell_or_drops"]), (91, [])])
    def test_a_smell_that_nobody_reported_again_for_a_season_is_no_longer_urgent(self, make_ledger, days, rules):
        smell = finding("a", ago(days), component="none", polarity="uncertain", symptoms=SMELL)
        found = flag_at(make_ledger(evidence=[smell]))
        assert (rules_of(found) if found.height else []) == rules

    @pytest.mark.parametrize(("days", "rules"), [(7, []), (8, ["smell_or_drops"])])
    def test_smell_in_the_residue_window_is_old_oil(self, make_ledger, days, rules):
        smell = finding("a", ago(20 - days), component="none", polarity="uncertain", symptoms=SMELL)
        found = flag_at(make_ledger(evidence=[smell], episodes=[repair(ago(20))]))
        assert (found["rules"].to_list() or [[]])[0] == rules

    @pytest.mark.parametrize(
        ("repair_error_km", "look_error_km", "rules"),
        [(0.0, 0.0, ["smell_or_drops"]), (200.0, 100.0, ["smell_or_drops"]), (200.0, 101.0, []), (None, 0.0, [])],
        ids=["exact", "errors add up to the window", "errors beyond it: days alone", "not known: days alone"],
    )
    def test_the_residue_window_ends_at_its_kilometres(self, make_ledger, repair_error_km, look_error_km, rules):
        smell = finding("a", ago(15), component="none", polarity="uncertain", symptoms=SMELL)
        at_look = {0.0: [(15, 1_500.0)]}.get(look_error_km, [(16, 1_500.0), (14, 1_500.0 + 2 * look_error_km)])
        readings = [reading("v1", ago(days), km) for days, km in [(20, 1_000.0), *at_look]]
        repaired = repair(ago(20), odometer_km=1_000.0, odometer_error_km=repair_error_km)
        found = flag_at(make_ledger(evidence=[smell], episodes=[repaired], odometer_curve=readings))
        assert (found["rules"].to_list() or [[]])[0] == rules

    def test_more_than_a_smell_in_the_residue_window_is_no_old_oil(self, make_ledger):
        smell = finding("a", ago(15), component="none", polarity="uncertain", symptoms=f"{SMELL}; misfire")
        assert rules_of(flag_at(make_ledger(evidence=[smell], episodes=[repair(ago(20))]))) == ["smell_or_drops"]


class TestWet:
    def test_unrepaired_is_due_when_a_seep_would_be_looked_at_again(self, make_ledger):
        flag = only(flag_at(make_ledger(evidence=[finding("a", date(2026, 5, 12))])))
        assert flag["rules"] == ["wet_unrepaired"]
        assert flag["due_by"] == date(2026, 6, 11)
        assert flag["probability"] == 1.0
        assert "Wet on 12 May 2026, neither repaired nor found dry since" in flag["reasons"]

    def test_plug_tube_seals_are_the_same_joint(self, make_ledger):
        assert rules_of(flag_at(make_ledger(evidence=[finding("a", ago(9), component="plug_tube_seal")])))

    @pytest.mark.parametrize(
        "row", [{"component": "other_oil_leak"}, {"polarity": "uncertain"}, {"polarity": "absent"}]
    )
    def test_is_not_said_of_what_is_no_wet_look_at_the_joint(self, make_ledger, row):
        assert flag_at(make_ledger(evidence=[finding("a", ago(9), **row)])).is_empty()

    def test_words_of_the_order_that_repaired_belong_before_the_repair(self, make_ledger):
        said = finding("a", ago(9), origin_kind="work_orders", origin_id="o2", origin_field="complaint")
        work = {"order_id": "o2", "vehicle_id": "v1", "cover_position": "only", "work": "repair", "done_on": ago(10)}
        ledger = {"evidence": [said], "episodes": [repair(ago(10))]}
        assert flag_at(make_ledger(cover_work=[work], **ledger)).is_empty()
        declined = work | {"work": "none"}
        assert rules_of(flag_at(make_ledger(cover_work=[declined], **ledger))) == ["wet_unrepaired"]

    def test_a_seep_not_looked_at_again(self, make_ledger):
        flag = only(flag_at(make_ledger(evidence=[finding("a", ago(45), leak_class="I")])))
        assert flag["rules"] == ["wet_unrepaired", "seep_not_rechecked"]
        assert "Weeping (class I) seen 45 days ago and not looked at again" in flag["reasons"]
        assert flag["due_by"] == ago(15)

    @pytest.mark.parametrize("again", [{"leak_class": "I"}, {"leak_class": None}])
    def test_a_seep_looked_at_again(self, make_ledger, again):
        seeps = [finding("a", ago(45), leak_class="I"), finding("b", ago(3), **again)]
        assert rules_of(flag_at(make_ledger(evidence=seeps))) == ["wet_unrepaired"]

    def test_a_seep_may_wait_its_days(self, make_ledger):
        assert rules_of(flag_at(make_ledger(evidence=[finding("a", ago(30), leak_class="I")]))) == ["wet_unrepaired"]


class TestTwoBanks:
    @pytest.fixture
    def two_banks(self, make_ledger):
        return partial(make_ledger, engine_families=[family(cover_positions="left;right")])

    def test_a_side_named_is_that_cover(self, two_banks):
        flag = only(flag_at(two_banks(evidence=[finding("a", ago(9), cover_position="right")])))
        assert (flag["cover_position"], flag["probability"]) == ("right", 1.0)

    def test_no_side_named_is_either(self, two_banks):
        both = flag_at(two_banks(evidence=[finding("a", ago(9))]))
        assert both["cover_position"].to_list() == ["left", "right"]
        assert both["probability"].to_list() == [0.5, 0.5]
        assert both["reasons"].str.contains("no side named").all()

    def test_a_repair_of_either_answers_what_names_no_side(self, two_banks):
        repairs = [repair(ago(5), cover_position="left")]
        assert flag_at(two_banks(evidence=[finding("a", ago(9))], episodes=repairs)).is_empty()
        sided = [finding("a", ago(9), cover_position="right")]
        assert rules_of(flag_at(two_banks(evidence=sided, episodes=repairs))) == ["wet_unrepaired"]

    def test_a_dry_look_without_a_side_does_not_answer_a_sided_wet_one(self, two_banks):
        looks = [finding("a", ago(9), cover_position="right"), finding("b", ago(5), polarity="absent")]
        assert only(flag_at(two_banks(evidence=looks)))["cover_position"] == "right"


def segments(
    litres: list[float], vehicle_id: str = "v1", *, until: date = AS_OF, hours_ahead: int = 0
) -> list[dict[str, Any]]:
    """Segments of four weeks, one a month, their local days `hours_ahead` of UTC."""
    starts = [until - timedelta(days=30 * (len(litres) - place)) for place in range(len(litres))]
    return [
        {
            "vehicle_id": vehicle_id,
            "engine_id": f"e-{vehicle_id}",
            "started_at": noon(start) - timedelta(hours=hours_ahead),
            "started_on": start,
            "ended_at": noon(start + timedelta(days=28)) - timedelta(hours=hours_ahead),
            "ended_on": start + timedelta(days=28),
            "top_up_id": str(start),
            "km": 5_000.0,
            "litres": amount,
            "litres_per_1000km": amount / 5.0,
            "low": 0.1,
            "high": 9.0,
        }
        for start, amount in zip(starts, litres, strict=True)
    ]


class TestOilRate:
    RISEN = (1.0, 1.1, 0.9, 1.0, 1.05, 0.95, 1.0, 4.0, 4.2, 3.9, 4.3)

    def test_a_risen_rate_flags_the_cover(self, make_ledger):
        flag = only(flag_at(make_ledger(oil_segments=segments(list(self.RISEN)))))
        assert flag["rules"] == ["oil_rate_shifted"]
        assert "Oil use 4.1 times what it was" in flag["reasons"]
        assert flag["probability"] is None
        assert flag["due_by"] == ago(2) + timedelta(days=30)

    def test_days_are_those_of_the_place_and_not_of_utc(self, make_ledger):
        here, east = (
            only(flag_at(make_ledger(oil_segments=segments(list(self.RISEN), hours_ahead=hours)))) for hours in (0, 13)
        )
        assert east == here
        assert f"since about {ago(120).day} Feb 2026" in here["reasons"]

    @pytest.mark.parametrize(("days", "is_flagged"), [(121, True), (120, False)])
    def test_a_repair_answers_it_from_the_local_day_the_rate_rose(self, make_ledger, days, is_flagged):
        risen = segments(list(self.RISEN), hours_ahead=13)
        rules = rules_of(flag_at(make_ledger(oil_segments=risen, episodes=[repair(ago(days))])))
        assert ("oil_rate_shifted" in rules) == is_flagged

    def test_a_fill_of_the_next_local_day_is_not_known(self, make_ledger):
        risen = segments(list(self.RISEN), hours_ahead=13)
        tomorrow = risen[-1] | {"ended_on": AS_OF + timedelta(days=1), "ended_at": noon(AS_OF), "top_up_id": "next"}
        ledger = make_ledger(oil_segments=[*risen, tomorrow])
        assert known_by(ledger, AS_OF).oil_segments.height == len(risen)

    def test_a_steady_rate_does_not(self, make_ledger):
        assert flag_at(make_ledger(oil_segments=segments([1.0, 1.1, 0.9] * 4))).is_empty()

    def test_a_dry_look_or_a_repair_since_answers_it(self, make_ledger):
        risen = segments(list(self.RISEN))
        assert flag_at(make_ledger(oil_segments=risen, evidence=[finding("a", ago(9), polarity="absent")])).is_empty()
        assert flag_at(make_ledger(oil_segments=risen, episodes=[repair(ago(9))])).is_empty()
        earlier = [finding("a", ago(200), polarity="absent")]
        assert rules_of(flag_at(make_ledger(oil_segments=risen, evidence=earlier))) == ["oil_rate_shifted"]


class TestPostRepairCheck:
    def test_is_due_after_its_days(self, make_ledger):
        assert flag_at(make_ledger(episodes=[repair(ago(29))])).is_empty()
        flag = only(flag_at(make_ledger(episodes=[repair(ago(140))])))
        assert flag["rules"] == ["post_repair_check"]
        assert flag["due_by"] == ago(110)
        assert "Gasket-only repair 140 days ago" in flag["reasons"]

    def test_is_due_after_its_kilometres_if_they_come_first(self, make_ledger):
        readings = [reading("v1", ago(40), 0.0), reading("v1", ago(0), 8_000.0)]
        flag = only(flag_at(make_ledger(episodes=[repair(ago(10), odometer_km=6_000.0)], odometer_curve=readings)))
        assert flag["rules"] == ["post_repair_check"]
        assert ago(6) <= flag["due_by"] <= ago(4), "1,000 km at 200 km a day"

    @pytest.mark.parametrize("polarity", ["absent", "resolved"])
    def test_a_look_since_answers_it(self, make_ledger, polarity):
        look = finding("a", ago(100), polarity=polarity)
        assert flag_at(make_ledger(episodes=[repair(ago(140))], evidence=[look])).is_empty()
        before = finding("a", ago(141), polarity=polarity)
        assert rules_of(flag_at(make_ledger(episodes=[repair(ago(140))], evidence=[before]))) == ["post_repair_check"]


class TestWatched:
    WET = (finding("a", ago(9)),)

    @pytest.mark.parametrize(
        "altered",
        [
            {"last_seen": [{"vehicle_id": "v1", "on": ago(181)}]},
            {"last_seen": []},
            {"vehicles": [vehicle(out_of_service_on=AS_OF)]},
            {"vehicles": [vehicle(engine_id="another")]},
        ],
    )
    def test_only_the_engine_that_is_in_a_vehicle_in_use(self, make_ledger, altered):
        assert flag_at(make_ledger(evidence=list(self.WET), **altered)).is_empty()

    def test_on_the_edge(self, make_ledger):
        ledger = make_ledger(
            evidence=list(self.WET),
            last_seen=[{"vehicle_id": "v1", "on": ago(180)}],
            vehicles=[vehicle(out_of_service_on=AS_OF + timedelta(days=1))],
        )
        assert flag_at(ledger).height == 1


class TestOutOfSight:
    SILENT = ({"vehicle_id": "v1", "on": ago(181)},)
    WET = finding("a", date(2025, 10, 1), leak_class="II")

    @pytest.fixture
    def silent(self, make_ledger):
        return partial(make_ledger, last_seen=list(self.SILENT), evidence=[self.WET])

    def lost(self, ledger, **rules):
        found = leaks_out_of_sight(ledger, rules=FlagRules(**rules), episode_rules=EpisodeRules(), as_of=AS_OF)
        return LeaksOutOfSight.validate(found)

    def test_a_cover_last_seen_wet_is_listed_when_its_vehicle_is_watched_no_more(self, silent):
        assert flag_at(silent()).is_empty()
        leak = only(self.lost(silent()))
        assert leak["reasons"] == (
            "No record since 2 Dec 2025 (181 days). Wet (class II) on 1 Oct 2025, neither repaired nor found dry "
            "since: find out where the vehicle is"
        )
        assert (leak["last_record_on"], leak["wet_on"]) == (ago(181), date(2025, 10, 1))
        assert leak["evidence_ids"] == ["a"]

    @pytest.mark.parametrize("days", [180, 181])
    def test_a_wet_cover_is_flagged_or_listed_and_never_both(self, silent, days):
        ledger = silent(last_seen=[{"vehicle_id": "v1", "on": ago(days)}])
        assert (flag_at(ledger).height, self.lost(ledger).height) == ((1, 0) if days == 180 else (0, 1))
        assert self.lost(ledger, watched_within_days=days - 1).height == 1

    @pytest.mark.parametrize(
        "altered",
        [
            {"vehicles": [vehicle(out_of_service_on=AS_OF)]},
            {"vehicles": [vehicle(engine_id="another")]},
            {"episodes": [repair(date(2025, 10, 20), ended_on=ago(181))]},
            {"evidence": [WET, finding("b", date(2025, 10, 20), polarity="absent")]},
            {"evidence": [WET | {"polarity": "uncertain"}]},
            {"last_seen": [], "evidence": []},
        ],
        ids=["out of service", "on another engine", "repaired", "found dry", "not seen wet", "no record at all"],
    )
    def test_what_is_answered_or_gone_is_not(self, silent, altered):
        assert self.lost(silent(**altered)).is_empty()

    def test_a_vehicle_that_left_later_is_still_to_be_found(self, silent):
        assert self.lost(silent(vehicles=[vehicle(out_of_service_on=AS_OF + timedelta(days=1))])).height == 1

    def test_drops_come_before_weeping_then_the_later_look(self, make_ledger):
        looks = [("v1", 300, "I"), ("v2", 250, "I"), ("v3", 400, "III")]
        ledger = make_ledger(
            vehicles=[vehicle(name) for name, *_ in looks],
            last_seen=[{"vehicle_id": name, "on": ago(200)} for name, *_ in looks],
            evidence=[finding(name, ago(days), name, leak_class=kind) for name, days, kind in looks],
        )
        found = self.lost(ledger)
        assert found["vehicle_id"].to_list() == ["v3", "v2", "v1"]
        assert found["is_urgent"].to_list() == [True, False, False]


def test_priority_is_urgent_first_then_the_likelier_then_the_vehicle(make_ledger):
    vehicles = [vehicle(f"v{number}") for number in range(1, 5)]
    smell = {"component": "none", "polarity": "uncertain", "symptoms": "smoke"}
    ledger = make_ledger(
        vehicles=vehicles,
        last_seen=[{"vehicle_id": row["vehicle_id"], "on": ago(3)} for row in vehicles],
        evidence=[finding("a", ago(9), "v3"), finding("b", ago(9), "v2"), finding("c", ago(9), "v4", **smell)],
        episodes=[repair(ago(100), "v1")],
    )
    found = flag_at(ledger)
    assert found["vehicle_id"].to_list() == ["v4", "v2", "v3", "v1"]
    assert found["priority"].to_list() == [1, 2, 3, 4]
    assert Flags.is_valid(found)


def test_nothing_known_gives_no_flags(make_ledger):
    nothing = flag_at(make_ledger(vehicles=[], engine_families=[], last_seen=[]))
    assert nothing.is_empty()
    assert Flags.is_valid(nothing)


def leaking_fleet(vehicles: int = 60, *, days_apart: int = 11) -> dict[str, list[dict[str, Any]]]:
    """Vehicles repaired 400 days ago, at 100 km a day; two in three leaked again, `days_apart` one after the other."""
    names = [f"w{number:02}" for number in range(vehicles)]
    leaked = names[: 2 * vehicles // 3]
    repairs = [
        repair(ago(500), name, ended_on=ago(500 - days_apart * (place + 1)), status="re-leak", odometer_km=10_000.0)
        if name in leaked
        else repair(ago(500), name, ended_on=ago(2), odometer_km=10_000.0)
        for place, name in enumerate(names)
    ]
    again = [repair(ago(40), name, ended_on=ago(2), odometer_km=56_000.0) for name in leaked]
    return {
        "vehicles": [vehicle(name) for name in names],
        "episodes": repairs + again,
        "odometer_curve": [reading(name, ago(days), 100.0 * (600 - days)) for name in names for days in (600, 300, 0)],
        "last_seen": [{"vehicle_id": name, "on": ago(2)} for name in names],
    }


def life_of(ledger: FleetLedger) -> dict[str, Any]:
    """The life in kilometres of gasket repairs on K4."""
    lives = repair_lives(known_by(ledger, AS_OF).episodes, min_releaks=10)
    return lives.filter(time_scale="km", engine_family="K4").row(0, named=True)


class TestChance:
    def test_is_the_conditional_weibull_probability_at_the_vehicles_own_pace(self, make_ledger):
        ledger = make_ledger(**leaking_fleet())
        found = flag_at(ledger, min_probability=0.01).filter(vehicle_id="w00")
        known = known_by(ledger, AS_OF)
        life = (
            repair_lives(known.episodes, min_releaks=10).filter(time_scale="km", engine_family="K4").row(0, named=True)
        )
        survival = weibull_min(life["shape"], scale=life["scale"])
        at = datetime.combine(AS_OF + timedelta(days=1), time(), UTC) - noon(ago(40))
        age_km = 100.0 * at / timedelta(days=1)
        expected = 1.0 - survival.sf(age_km + 60 * 100.0) / survival.sf(age_km)
        assert found["probability"].item() == pytest.approx(expected, rel=1e-6)
        assert "high_probability" in only(found)["rules"]

    def test_reasons_carry_the_numbers(self, make_ledger):
        flag = only(flag_at(make_ledger(**leaking_fleet()), min_probability=0.01).filter(vehicle_id="w00"))
        said = f"1 in {round(1 / flag['probability'])} such repairs leak again within the next 60 days"
        assert said in flag["reasons"]
        assert "at its 100 km a day (40 re-leaks in 100 repairs of this kind on K4)" in flag["reasons"]
        assert "Gasket-only repair 40 days, 4050 km ago" in flag["reasons"]

    def test_under_the_least_probability_there_is_no_flag_for_it(self, make_ledger):
        found = flag_at(make_ledger(**leaking_fleet()), min_probability=0.9)
        assert not found["rules"].list.contains("high_probability").any()

    def test_a_higher_horizon_is_a_higher_probability(self, make_ledger):
        ledger = make_ledger(**leaking_fleet())
        short, long = (flag_at(ledger, horizon_days=days)["probability"].max() for days in (30, 120))
        assert short < long

    def test_few_releaks_leave_it_unknown(self, make_ledger):
        found = flag_at(make_ledger(**leaking_fleet()), min_releaks=41)
        assert found["probability"].null_count() == found.height > 0

    def test_a_leak_that_dried_up_leaves_it_unknown(self, make_ledger):
        fleet = leaking_fleet()
        fleet["evidence"] = [finding("a", ago(20), "w59"), finding("b", ago(9), "w59", polarity="absent")]
        fleet["episodes"][59] |= {"status": "re-leak", "ended_on": ago(20), "ended_at": noon(ago(20))}
        assert flag_at(make_ledger(**fleet), min_probability=0.01).filter(vehicle_id="w59").is_empty()


class TestInterval:
    def test_is_passed_when_such_covers_leak_by_then(self, make_ledger):
        ledger = make_ledger(**leaking_fleet())
        life = life_of(ledger)
        flag = only(flag_at(ledger).filter(vehicle_id="w59"))
        assert "interval_passed" in flag["rules"]
        said = re.search(
            r"Last repaired 500 days ago, past its interval of (\d+) days, by which 1 in 10 such covers leak\.",
            flag["reasons"],
        )
        assert said
        b10_km = weibull_min(life["shape"], scale=life["scale"]).ppf(0.1)
        assert int(said[1]) == pytest.approx(b10_km / 100.0, abs=1.0), "at 100 km a day"

    def test_starts_again_with_a_dry_look(self, make_ledger):
        fleet = leaking_fleet()
        fleet["evidence"] = [finding("a", ago(1), "w59", polarity="absent")]
        found = flag_at(make_ledger(**fleet)).filter(vehicle_id="w59")
        assert "interval_passed" not in found["rules"].explode().to_list()


def later_facts() -> dict[str, list[dict[str, Any]]]:
    """What comes to be known after the day: looks, repairs, readings, swaps, disposals, fills."""
    after = AS_OF + timedelta(days=5)
    return {
        "vehicles": [vehicle("new", in_service_on=after)],
        "engine_fitments": [
            {"vehicle_id": "w01", "engine_id": "swapped", "engine_family": "K4", "fitted_on": after, "removed_on": None}
        ],
        "evidence": [
            finding("z1", after, "w00", leak_class="III"),
            finding("z2", after, "w02", polarity="absent"),
        ],
        "episodes": [repair(after, "w00", ended_on=after), repair(after, "w03", ended_on=after)],
        "odometer_curve": [reading("w00", after, 99_000.0), reading("w59", after, 120_000.0)],
        "last_seen": [{"vehicle_id": "new", "on": after}, {"vehicle_id": "w05", "on": after}],
        "cover_work": [
            {"order_id": "o9", "vehicle_id": "w04", "cover_position": "only", "work": "repair", "done_on": after}
        ],
        "oil_segments": segments([4.0] * 4, "w00", until=AS_OF + timedelta(days=125)),
    }


class TestNoLookAhead:
    def test_later_records_change_nothing(self, make_ledger):
        fleet = leaking_fleet()
        complaint = {"origin_kind": "work_orders", "origin_id": "o9", "origin_field": "complaint"}
        fleet["evidence"] = [
            finding("a", ago(9), "w01"),
            finding("b", ago(40), "w02", leak_class="I"),
            finding("c", ago(9), "w04", **complaint),
        ]
        fleet["oil_segments"] = segments([1.0, 1.1, 0.9] * 3, "w00")
        later = later_facts()
        more = {name: fleet.get(name, []) + later.get(name, []) for name in fleet | later}
        assert flag_at(make_ledger(**fleet)).equals(flag_at(make_ledger(**more)))

    def test_endings_after_the_day_are_not_known_whenever_they_come(self, make_ledger):
        day = ago(120)
        seen = {"last_seen": [{"vehicle_id": f"w{number:02}", "on": ago(125)} for number in range(60)]}
        fleet = leaking_fleet() | seen

        def ended(on: date) -> list[dict[str, Any]]:
            moved = {"status": "re-leak", "ended_on": on, "ended_at": noon(on)}
            return [row | (moved if row["ended_on"] > day else {}) for row in fleet["episodes"]]

        early, late = (
            flag_at(make_ledger(as_of=day, **fleet | {"episodes": ended(on)}), day) for on in (ago(100), ago(1))
        )
        assert early.height > 0
        assert early.equals(late)
        assert set(early["as_of"]) == {day}

    def test_later_engines_and_disposals_change_nothing(self, make_ledger):
        fleet = leaking_fleet()
        gone = [row | {"out_of_service_on": AS_OF + timedelta(days=1)} for row in fleet["vehicles"]]
        assert flag_at(make_ledger(**fleet)).equals(flag_at(make_ledger(**fleet | {"vehicles": gone})))


def test_flags_do_not_depend_on_the_order_of_rows(make_ledger):
    fleet = leaking_fleet()
    fleet["evidence"] = [
        finding("a", ago(9), "w01"),
        finding("b", ago(9), "w01", leak_class="I"),
        finding("c", ago(9), "w02"),
    ]
    turned = {name: rows[::-1] for name, rows in fleet.items()}
    found = flag_at(make_ledger(**fleet))
    assert found.equals(flag_at(make_ledger(**turned)))
    assert Flags.is_valid(found)
