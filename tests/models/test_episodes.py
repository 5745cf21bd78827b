import random
import shlex
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path

import polars as pl
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from models.engine_hours import engine_hours_curve
from models.engines import engine_periods
from models.episodes import episodes, last_records
from models.odometer import odometer_curve
from models.planning import FleetLedger, known_by
from models.settings import EpisodeRules, OdometerRules
from models.tables import conform, ledger, records

HISTORIES = Path(__file__).parent / "histories.txt"
STATEMENTS = {
    "wet": ("cover_gasket", "present", ""),
    "dry": ("cover_gasket", "absent", ""),
    "resolved": ("cover_gasket", "resolved", ""),
    "hedge": ("cover_gasket", "uncertain", ""),
    "smell": ("none", "uncertain", "burning_smell"),
    "misfire": ("none", "uncertain", "misfire"),
    "low-oil": ("none", "uncertain", "low_oil"),
    "smoke": ("cover_gasket", "uncertain", "smoke;low_oil"),
    "haze": ("none", "uncertain", "smoke"),
    "smell-wet": ("cover_gasket", "present", "burning_smell"),
}
NAMES = {
    "vehicles": records.Vehicles,
    "engine_fitments": records.EngineFitments,
    "engine_families": records.EngineFamilies,
    "work_orders": records.WorkOrders,
    "repair_records": records.RepairRecords,
    "oil_top_ups": records.OilTopUps,
    "inspection_notes": records.InspectionNotes,
    "odometer_readings": records.OdometerReadings,
    "cover_work": ledger.CoverWork,
    "evidence": ledger.Evidence,
}


@dataclass
class Fleet:
    """Rows of every table, gathered from the lines of histories."""

    rows: dict[str, list[dict]] = field(default_factory=lambda: {name: [] for name in NAMES})
    as_of: date = date(2026, 1, 1)

    def add(self, table: str, **row) -> None:
        self.rows[table].append({"load_id": "L", "row_number": 1, **row})

    def frame(self, name: str) -> pl.DataFrame:
        schema = NAMES[name]
        empty = {column: None for column in schema.columns()}
        rows = [{**empty, **{key: row[key] for key in row if key in empty}} for row in self.rows[name]]
        frame = pl.DataFrame(rows, schema={key: column.dtype for key, column in schema.columns().items()})
        return conform(frame, schema)


def at(on: date, hour: int) -> datetime:
    """So many hours after a day begins in UTC; the day is the local one, so they may be below zero."""
    return datetime.combine(on, time(), UTC) + timedelta(hours=hour)


def start(fleet: Fleet, vehicle_id: str, *, banks: int) -> None:
    family = {1: "one", 2: "two"}[banks]
    fleet.add("vehicles", vehicle_id=vehicle_id, engine_family=family, site="S", in_service_on=date(2020, 1, 1))
    fleet.rows["vehicles"][-1]["engine_id"] = "E1"


@dataclass
class Line:
    """One line of a history, taken apart."""

    vehicle_id: str
    number: str
    on: date
    kind: str
    plain: list[str]
    marks: dict[str, str]

    @property
    def km(self) -> float | None:
        return float(self.marks["km"]) if "km" in self.marks else None

    def moment(self, *, usual_hour: int = 12) -> datetime:
        return at(self.on, int(self.marks.get("hour", usual_hour)))

    @property
    def order_id(self) -> str:
        return f"{self.vehicle_id}-{self.plain[0]}"

    @property
    def done_on(self) -> date | None:
        done = self.marks.get("done", self.on.isoformat())
        return None if done == "none" else date.fromisoformat(done)


def read_line(fleet: Fleet, vehicle_id: str, text: str) -> None:
    """Add one line of a history to the tables."""
    day, kind, *words = shlex.split(text)
    marks = dict(word.split("=", 1) for word in words if "=" in word and " " not in word)
    plain = [word for word in words if word not in {f"{key}={value}" for key, value in marks.items()}]
    number = f"{vehicle_id}-{sum(map(len, fleet.rows.values())):04d}"
    READERS[kind](fleet, Line(vehicle_id, number, date.fromisoformat(day), kind, plain, marks))


def vehicle_row(fleet: Fleet, line: Line) -> dict:
    return next(row for row in fleet.rows["vehicles"] if row["vehicle_id"] == line.vehicle_id)


def said_position(fleet: Fleet, line: Line) -> str:
    side = line.marks.get("side", "only" if vehicle_row(fleet, line)["engine_family"] == "one" else "none")
    return "" if side == "none" else side


def read_reading(fleet: Fleet, line: Line) -> None:
    when = {"vehicle_id": line.vehicle_id, "odometer_km": line.km}
    if line.km is None:
        fleet.add("inspection_notes", note_id=line.number, noted_at=line.moment(), noted_on=line.on, text="-", **when)
    else:
        fleet.add("odometer_readings", reading_id=line.number, read_at=line.moment(), read_on=line.on, **when)


def read_top_up(fleet: Fleet, line: Line) -> None:
    when = {"vehicle_id": line.vehicle_id, "topped_up_at": line.moment(), "topped_up_on": line.on}
    fleet.add("oil_top_ups", top_up_id=line.number, volume_litres=1.0, **when)


def read_card(fleet: Fleet, line: Line) -> None:
    fleet.add("repair_records", order_id=line.order_id, cover_position=said_position(fleet, line), bolts_renewed=True)


def read_leaving(fleet: Fleet, line: Line) -> None:
    vehicle_row(fleet, line)["out_of_service_on"] = line.on


def read_fitment(fleet: Fleet, line: Line) -> None:
    vehicle = vehicle_row(fleet, line)
    days = {"fitted_on": line.on, "removed_on": None}
    if line.kind == "out":
        days = {"fitted_on": vehicle["in_service_on"], "removed_on": line.on}
    engine = {"engine_id": line.plain[0], "engine_family": vehicle["engine_family"]}
    fleet.add("engine_fitments", vehicle_id=line.vehicle_id, **engine, **days)


def read_order(fleet: Fleet, line: Line) -> None:
    work, *rest = line.plain[1:]
    method, occasion, *flags = rest if work == "repair" else (None, None, *rest)
    if not any(row["order_id"] == line.order_id for row in fleet.rows["work_orders"]):
        fleet.add(
            "work_orders",
            order_id=line.order_id,
            vehicle_id=line.vehicle_id,
            site="S",
            opened_at=line.moment(usual_hour=8),
            opened_on=line.on,
            completed_at=at(line.done_on, 16) if line.done_on else None,
            completed_on=line.done_on,
            work_done="",
            complaint=next((word for word in flags if word not in {"oil", "bolts"}), ""),
            odometer_km=line.km,
            line_count=1,
        )
    fleet.add(
        "cover_work",
        order_id=line.order_id,
        vehicle_id=line.vehicle_id,
        cover_position=said_position(fleet, line),
        done_on=line.done_on or line.on,
        work=work,
        repair_method=method,
        occasion=occasion,
        has_new_bolts="bolts" in flags,
        is_ventilation_serviced=False,
        is_faces_machined=False,
        has_oil_complaint="oil" in flags,
        deciding_words="",
        confidence=1.0,
    )


def read_note(fleet: Fleet, line: Line) -> None:
    when = {"vehicle_id": line.vehicle_id, "noted_at": line.moment(), "noted_on": line.on}
    fleet.add("inspection_notes", note_id=line.number, text="-", odometer_km=line.km, **when)
    add_evidence(fleet, line, line.moment(), ("inspection_notes", line.number, "text"))


def read_finding(fleet: Fleet, line: Line) -> None:
    moment = line.moment(usual_hour=8 if line.kind == "complaint" else 16)
    add_evidence(fleet, line, moment, ("work_orders", line.order_id, line.kind))


def add_evidence(fleet: Fleet, line: Line, noted_at: datetime, origin: tuple[str, str, str]) -> None:
    place = {"seal": "plug_tube_seal", "other": "other_oil_leak"}
    component, polarity, symptoms = STATEMENTS[next(word for word in line.plain if word in STATEMENTS)]
    fleet.add(
        "evidence",
        evidence_id=f"{origin[1]}:{origin[2]}:{len(fleet.rows['evidence'])}",
        vehicle_id=line.vehicle_id,
        engine_id="E1",
        cover_position=said_position(fleet, line),
        noted_at=noted_at,
        noted_on=line.on,
        component=next((place[word] for word in line.plain if word in place), component),
        polarity=polarity,
        location="",
        symptoms=symptoms,
        hot_part="",
        origin_kind=origin[0],
        origin_id=origin[1],
        origin_field=origin[2],
        span_start=0,
        span_end=1,
        span_text=line.plain[-1] if line.plain[-1] not in STATEMENTS else "",
        confidence=1.0,
        is_class_contradicted=False,
    )


READERS = {
    "order": read_order,
    "note": read_note,
    "complaint": read_finding,
    "work_done": read_finding,
    "reading": read_reading,
    "top-up": read_top_up,
    "card": read_card,
    "leaves": read_leaving,
    "engine": read_fitment,
    "out": read_fitment,
}


def read_history(fleet: Fleet, vehicle_id: str, lines: list[str]) -> None:
    start(fleet, vehicle_id, banks=2 if "two banks" in lines else 1)
    for line in lines:
        if line.startswith("as of "):
            fleet.as_of = date.fromisoformat(line.removeprefix("as of "))
        elif line != "two banks":
            read_line(fleet, vehicle_id, line)


def add_families(fleet: Fleet) -> None:
    joint = {"fuel": "petrol", "plug_tubes": True, "bolts": 10, "layout": "", "stage1_nm": 8.0}
    for family, covers in (("one", "only"), ("two", "left;right")):
        fleet.add(
            "engine_families",
            engine_family=family,
            cover_positions=covers,
            settle_min=0.0,
            final_angle_deg=0.0,
            **joint,
        )


def build(fleet: Fleet, *, as_of: date | None = None, shuffle: int | None = None) -> pl.DataFrame:
    """Run the whole ledger over a fleet."""
    frames = {name: fleet.frame(name) for name in NAMES}
    if shuffle is not None:
        frames = {name: frame.sample(fraction=1.0, shuffle=True, seed=shuffle) for name, frame in frames.items()}
    day = as_of or fleet.as_of
    seen = [frames[name] for name in ("work_orders", "oil_top_ups", "inspection_notes", "odometer_readings")]
    return episodes(
        frames["cover_work"],
        frames["work_orders"],
        frames["evidence"],
        vehicles=frames["vehicles"],
        periods=engine_periods(frames["vehicles"], frames["engine_fitments"]),
        families=frames["engine_families"],
        curve=odometer_curve(*seen, rules=OdometerRules()),
        hours_curve=engine_hours_curve(frames["odometer_readings"], rules=OdometerRules()),
        last_seen=last_records(*seen, as_of=day),
        repair_records=frames["repair_records"],
        rules=EpisodeRules(),
        as_of=day,
    )


def told(row: dict) -> str:
    """Write an episode the way the histories do."""
    km = "?" if row["km"] is None else f"{row['km']:.0f}"
    wet = row["first_wet_at"].date().isoformat() if row["first_wet_at"] else "-"
    marks = [
        ("bolts", row["has_new_bolts"]),
        ("suspect", row["is_suspect"]),
        ("comeback", row["comeback"]),
        ("unnamed-engine" if row["engine_id"] == row["vehicle_id"] else row["engine_id"], row["engine_id"] != "E1"),
    ]
    order_id = row["order_id"].split("-", 1)[1]
    return (
        f"{order_id} {row['cover_position']} {row['repair_method']} {row['occasion']} | {row['status']} | "
        f"{row['end_reason']} | {row['days']:.0f} days | {km} km | {row['last_dry_at'].date()} .. {wet} | "
        + " ".join(name for name, is_set in marks if is_set)
    ).strip()


def blocks() -> list[tuple[str, list[str], list[str]]]:
    found = []
    for block in HISTORIES.read_text(encoding="utf-8").split("\n# ")[1:]:
        rule, *lines = [line.strip() for line in block.strip().splitlines()]
        expected = [line.removeprefix("=> ").strip() for line in lines if line.startswith("=>")]
        found.append(
            (rule, [line for line in lines if not line.startswith("=>")], [e for e in expected if e != "none"])
        )
    return found


BLOCKS = blocks()


@pytest.mark.parametrize(("rule", "lines", "expected"), BLOCKS, ids=[rule for rule, _, _ in BLOCKS])
def test_history_becomes_its_episodes(rule: str, lines: list[str], expected: list[str]) -> None:
    fleet = Fleet()
    add_families(fleet)
    read_history(fleet, "V", lines)
    found = build(fleet)
    ledger.Episodes.validate(found)
    assert [told(row) for row in found.iter_rows(named=True)] == expected, found["story"].to_list()


def story_of(*lines: str) -> str:
    fleet = Fleet()
    add_families(fleet)
    read_history(fleet, "V", list(lines))
    return build(fleet)["story"][0]


def test_story_of_a_re_leak_names_the_note_and_its_words() -> None:
    story = story_of(
        "2024-01-22 order W1 repair gasket leak km=10000",
        '2024-03-05 note wet "oil weeping from rocker cover" km=12310',
    )
    assert story == (
        "Leaked again 43 days and 2,310 km after the repair: a note of 2024-03-05 says 'oil weeping from rocker cover'."
    )


def test_story_of_a_complaint_names_the_order_and_the_last_dry_look() -> None:
    story = story_of(
        "2024-01-22 order W1 repair gasket leak",
        '2024-02-01 note dry "looked, dry"',
        '2024-03-05 order W2 repair gasket leak oil "Oil on exhaust.  Customer unhappy."',
    )
    assert story == (
        "Leaked again 43 days after the repair: the complaint on order V-W2 of 2024-03-05 says "
        "'Oil on exhaust. Customer unhappy'; it was last seen dry on 2024-02-01."
    )


@pytest.mark.parametrize(
    ("lines", "story"),
    [
        (
            ["2024-02-01 order W2 cover_off"],
            "No leak found in 10 days, until order V-W2 of 2024-02-01 took the cover off for other work.",
        ),
        (
            ["2024-02-01 order W2 repair gasket routine"],
            "No leak found in 10 days, until order V-W2 of 2024-02-01 repaired the cover again.",
        ),
        (
            ["2024-02-01 order W2 engine_out"],
            "No leak found in 10 days, until order V-W2 of 2024-02-01 took the engine out.",
        ),
        (["2024-02-01 engine E2"], "No leak found in 10 days, until the engine was removed on 2024-02-01."),
        (["2024-02-01 leaves"], "No leak found in 10 days, until the vehicle left service on 2024-02-01."),
        (["2024-01-23 reading"], "No leak found in 1 day, up to the vehicle's last record on 2024-01-23."),
        (
            ['2024-02-01 note smell "hot smell"'],
            "No leak found in 10 days, up to the vehicle's last record on 2024-02-01, "
            "though a note of 2024-02-01 says 'hot smell'.",
        ),
    ],
)
def test_story_of_an_end_without_a_leak(lines: list[str], story: str) -> None:
    assert story_of("2024-01-22 order W1 repair gasket leak", *lines) == story


def test_episode_lists_the_evidence_read_in_it_and_no_other() -> None:
    fleet = Fleet()
    add_families(fleet)
    read_history(
        fleet,
        "V",
        [
            '2024-01-01 note wet "before"',
            "2024-01-10 order W1 repair gasket leak",
            '2024-01-10 note wet "same day"',
            '2024-02-01 note dry "dry words"',
            '2024-02-02 note other wet "sump"',
            '2024-02-03 note smell "smell words"',
            '2024-03-01 note wet "wet words"',
            '2024-04-01 note wet "later"',
        ],
    )
    words = dict(zip(fleet.frame("evidence")["evidence_id"], fleet.frame("evidence")["span_text"], strict=True))
    assert [words[number] for number in build(fleet)["evidence_ids"][0]] == ["dry words", "smell words", "wet words"]


def test_no_repair_gives_an_empty_table_of_the_declared_shape() -> None:
    fleet = Fleet()
    add_families(fleet)
    read_history(fleet, "V", ["2024-01-01 reading"])
    found = build(fleet)
    assert found.is_empty()
    assert found.columns == list(ledger.Episodes.columns())


DAY = st.integers(0, 700).map(lambda days: date(2023, 1, 1) + timedelta(days=days))
LINE = st.one_of(
    st.tuples(
        DAY,
        st.sampled_from(["gasket leak", "gasket routine", "retightened routine", "gasket_and_seals other_work"]),
        st.sampled_from(["", " oil"]),
        st.integers(0, 12),
        st.sampled_from(["", " side=left", " side=right"]),
    ).map(lambda t: f"{t[0]} order W# repair {t[1]}{t[2]} done={t[0] + timedelta(days=t[3])}{t[4]}"),
    st.tuples(
        DAY,
        st.sampled_from(["wet", "dry", "resolved", "hedge", "smell", "seal wet"]),
        st.sampled_from(["", " side=left"]),
    ).map(lambda t: f'{t[0]} note {t[1]} "words"{t[2]}'),
    st.tuples(DAY, st.sampled_from(["cover_off", "engine_out", "none"])).map(lambda t: f"{t[0]} order W# {t[1]}"),
    DAY.map(lambda on: f"{on} reading km={100_000 + 80 * (on - date(2023, 1, 1)).days}"),
    DAY.map(lambda on: f"{on} top-up"),
)
HISTORY = st.tuples(st.booleans(), st.lists(LINE, min_size=1, max_size=14)).map(
    lambda t: [*(["two banks"] if t[0] else []), *(line.replace("W#", f"W{i:02d}") for i, line in enumerate(t[1]))]
)


def fleet_of(*histories: list[str]) -> Fleet:
    fleet = Fleet()
    add_families(fleet)
    for index, lines in enumerate(histories):
        read_history(fleet, f"V{index}", lines)
    return fleet


@settings(max_examples=40, deadline=None)
@given(st.lists(HISTORY, min_size=1, max_size=3), st.integers(0, 1_000))
def test_order_of_rows_does_not_matter(histories: list[list[str]], seed: int) -> None:
    fleet = fleet_of(*histories)
    assert build(fleet, shuffle=seed).equals(build(fleet))


@settings(max_examples=40, deadline=None)
@given(st.lists(HISTORY, min_size=2, max_size=3))
def test_a_vehicle_is_judged_alone(histories: list[list[str]]) -> None:
    together = build(fleet_of(*histories))
    alone = build(fleet_of(histories[0]))
    assert together.filter(pl.col("vehicle_id") == "V0").equals(alone)


@settings(max_examples=60, deadline=None)
@given(HISTORY, DAY)
def test_later_records_never_change_an_earlier_day(lines: list[str], as_of: date) -> None:
    known = [line for line in lines if line == "two banks" or date.fromisoformat(line[:10]) <= as_of]
    cut = fleet_of(known)
    for row in cut.rows["work_orders"]:
        if row["completed_on"] and row["completed_on"] > as_of:
            row["completed_on"] = row["completed_at"] = None
    whole = build(fleet_of(lines), as_of=as_of).drop("evidence_ids")
    renumbered = build(cut, as_of=as_of).drop("evidence_ids")
    assert whole.equals(renumbered)


@settings(max_examples=60, deadline=None)
@given(HISTORY, DAY)
def test_a_dry_look_never_adds_a_re_leak(lines: list[str], on: date) -> None:
    before = build(fleet_of(lines))
    after = build(fleet_of([*lines, f'{on} note dry "dry" side=left']))
    leaks = [set(frame.filter(status="re-leak")["episode_id"]) for frame in (before, after)]
    assert leaks[0] == leaks[1]


@settings(max_examples=60, deadline=None)
@given(HISTORY)
def test_every_episode_is_sound(lines: list[str]) -> None:
    found = build(fleet_of(lines))
    ledger.Episodes.validate(found)
    for row in found.iter_rows(named=True):
        assert row["repaired_on"] <= row["ended_on"]
        assert row["repaired_at"] <= row["last_dry_at"] <= row["ended_at"]
        assert (row["first_wet_at"] is not None) == (row["status"] == "re-leak")


def known_on(fleet: Fleet, day: date) -> pl.DataFrame:
    """The fleet's episodes as the plan knows them on a day."""
    frames = {name: fleet.frame(name) for name in NAMES}
    seen = [frames[name] for name in ("work_orders", "oil_top_ups", "inspection_notes", "odometer_readings")]
    known = FleetLedger(
        **{name: frames[name] for name in ("vehicles", "engine_fitments", "engine_families", "cover_work", "evidence")},
        odometer_curve=odometer_curve(*seen, rules=OdometerRules()),
        episodes=build(fleet),
        oil_segments=ledger.OilSegments.create_empty(),
        last_seen=last_records(*seen, as_of=day),
    )
    return known_by(known, day).episodes.select(list(ledger.Episodes.columns()))


@settings(max_examples=40, deadline=None)
@given(HISTORY)
@example(
    [
        "2023-01-01 reading km=100000",
        "2023-03-01 order W0 repair gasket leak km=105000 done=2023-03-03",
        "2023-06-01 reading km=112000",
    ]
)
def test_the_plan_measures_episodes_as_they_were_measured(lines: list[str]) -> None:
    fleet = fleet_of(lines)
    assert known_on(fleet, fleet.as_of).equals(build(fleet))


def test_a_reading_after_the_day_does_not_move_the_distance_of_an_episode_that_ended_before_it() -> None:
    by_the_day = [
        "2023-01-01 reading km=100000",
        "2023-03-01 order W0 repair gasket leak km=105000",
        "2023-05-01 reading km=109000",
        '2023-06-10 note wet "rocker cover leaking"',
    ]
    later = [*by_the_day, "2023-09-01 reading km=150000"]
    day = date(2023, 6, 30)
    as_it_stood = build(fleet_of(by_the_day), as_of=day)
    assert as_it_stood["status"].to_list() == ["re-leak"]
    assert known_on(fleet_of(later), day)["km"].to_list() == as_it_stood["km"].to_list()
    assert build(fleet_of(later))["km"].to_list() != as_it_stood["km"].to_list()


def test_many_vehicles_in_one_bucket_keep_their_own_episodes() -> None:
    order = random.Random(5).sample(range(len(BLOCKS)), len(BLOCKS))
    chosen = [BLOCKS[index] for index in order if not any(line.startswith("as of") for line in BLOCKS[index][1])]
    found = build(fleet_of(*(lines for _, lines, _ in chosen)))
    by_vehicle = {
        key: list(frame.iter_rows(named=True)) for (key,), frame in found.group_by("vehicle_id", maintain_order=True)
    }
    for index, (rule, _, expected) in enumerate(chosen):
        assert [told(row) for row in by_vehicle.get(f"V{index}", [])] == expected, rule
