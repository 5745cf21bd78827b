"""Canonical rows of what was recorded up to the extract, with their words, before a site's layout is put on them."""

from dataclasses import dataclass

from models.simulation.background import Background, TopUp
from models.simulation.chance import Chance
from models.simulation.events import History, Mention, Note, Order, Renewal
from models.simulation.fleet import Calendar, Vehicle
from models.simulation.joints import SEAL_METHODS, steps_of
from models.simulation.layouts import LAYOUTS, QUILLMOUTH_CODES
from models.simulation.mistakes import DUPLICATED, LAYOUT_NUMBERS, Entry, Record, typed_odometer
from models.simulation.parts import HOUR_COST, hours_of, parts_of
from models.simulation.words.chatter import CHATTER, TASKS
from models.simulation.words.texts import complaint_text, note_text, work_text
from models.simulation.world import SITES

_ODOMETER_MISSING = 0.08
_PADDED = 0.004
_CLASS_FILLED = 0.6
_CLASS_CONTRADICTS = 0.02
_BLANK_STEP = 0.08
_ORDERS = ("quillmouth orders", "port eddering orders", "sarnholt orders", "fennigar orders")
_OIL = ("quillmouth oil log", "port eddering oil", "sarnholt oil", "fennigar oil")
_NOTES = ("quillmouth inspections", "port eddering checks", "sarnholt inspections", "fennigar notes")
_MILES_SITE = 0
_STATES = (("CLOSED", "OPEN"), ("done", "open"), ("", ""), ("closed", "open"))
_HOURS, _HOURS_AFTER = ((420, 690), (720, 1050)), ((1060, 1070), (1075, 1090))
"""Minutes of the day at which orders are opened and completed; a second booking of a job follows the first."""
_OVERLAP_DAYS = 20
_CORRECTED, _LATE = 0.12, 0.05
_CODES = {word: code for code, word in QUILLMOUTH_CODES.items()}
_TASK_WORDS = {
    "tyre": "tyres", "brake": "brakes", "light": "electrical", "battery": "electrical", "lift": "lifting gear",
}  # fmt: skip
Statement = tuple[str, str, str, str, str, str, str, str, str]
"""origin_kind, origin_id, field, component, polarity, cover_position, leak_class, symptom, location."""


@dataclass(slots=True)
class Lived:
    """One vehicle with all that happened to it and what of it was recorded by the extract."""

    vehicle: Vehicle
    history: History
    background: Background
    notes: list[Note]
    orders: list[Order]
    last_record: int


def recorded(vehicle: Vehicle, history: History, background: Background, days: Calendar) -> Lived:
    """Select what the extract can show and find the day of the last record."""
    until = days.extract
    notes = [note for note in history.notes if note.day <= until]
    orders = [order for order in [*history.orders, *background.orders] if order.opened <= until]
    dated = [note.day for note in notes] + background.reading_days + [top_up.day for top_up in background.top_ups]
    dated += [day for order in orders for day in (order.opened, order.finished) if day <= until]
    return Lived(vehicle, history, background, notes, orders, max(dated, default=0))


class Clerk:
    """Writes one chunk's records: rows and the statements their words make.

    Args:
        days: The days simulated.
        words: Draws for words.
        mess: Draws for mistakes.
    """

    def __init__(self, days: Calendar, words: Chance, mess: Chance) -> None:
        self.days, self._words, self._mess = days, words, mess
        self.entries: list[Entry] = []
        self.statements: list[Statement] = []
        self._years = [days.on(day).year for day in range(days.extract + 1)]
        self._month_days = [(days.on(day).month, days.on(day).day) for day in range(days.extract + 1)]

    def write(self, lived: Lived) -> None:
        """Write all records of one vehicle."""
        for note in lived.notes:
            self._note(note, lived.vehicle)
        for order in lived.orders:
            self._order(order, lived.vehicle)
        for top_up in lived.background.top_ups:
            self._top_up(top_up, lived.vehicle)
        for day in lived.background.reading_days:
            self._reading(day, lived.vehicle)
        self._register(lived.vehicle)
        for renewal in lived.history.renewals:
            if renewal.is_card_returned and renewal.order.opened <= self.days.extract >= renewal.order.finished:
                self._card(renewal, lived.vehicle)

    def _add(self, name: str, day: int, record: Record, stem: str | None = None, **overrides: str) -> Entry:
        place = LAYOUT_NUMBERS[name]
        if stem is None:
            stem = LAYOUTS[place].stem
            if "{year}" in stem:
                stem = stem.replace("{year}", str(self._years[day]))
        entry = Entry(place, stem, day, record, overrides)
        self.entries.append(entry)
        if self._mess.happens(DUPLICATED):
            self.entries.append(entry)
        return entry

    def _odometer(self, vehicle: Vehicle, day: int, *, is_miles: bool) -> int | None:
        if self._mess.happens(_ODOMETER_MISSING):
            return None
        return typed_odometer(vehicle.shown_km(day), is_miles=is_miles, chance=self._mess)

    def _state(self, kind: str, record_id: str, field: str, said: tuple[Mention, ...]) -> None:
        for each in said:
            is_symptom = each.form == "symptom"
            self.statements.append((
                kind, record_id, field, each.component, each.polarity, each.position, each.leak_class,
                each.place if is_symptom else "", "" if is_symptom else each.place,
            ))  # fmt: skip

    def _note(self, note: Note, vehicle: Vehicle) -> None:
        text = note_text(note, self._words)
        self._state("inspection_notes", note.record_id, "text", text.said)
        record = {
            "note_id": note.record_id, "vehicle_id": vehicle.vehicle_id,
            "noted_at": note.day * 1440 + self._mess.whole(420, 1050), "text": text.words,
            "odometer": self._odometer(vehicle, note.day, is_miles=note.site == _MILES_SITE),
            "author": f"I-{note.site + 1}{self._mess.whole(1, 5):02d}", "leak_class": self._filled_class(note),
            "site": self._site_name(note.site, note.day),
        }  # fmt: skip
        self._add(_NOTES[note.site], note.day, record, **self._padding(vehicle, note.site))

    def _padding(self, vehicle: Vehicle, site: int) -> dict[str, str]:
        """One site's terminal leaves blanks about the number now and then."""
        if site == _MILES_SITE and self._mess.happens(_PADDED):
            return {"vehicle_id": f" {vehicle.vehicle_id}  "}
        return {}

    def _filled_class(self, note: Note) -> str | None:
        wet = [mention.leak_class for mention in note.mentions if mention.is_wet_look]
        if wet:
            return wet[0] if wet[0] and self._mess.happens(_CLASS_FILLED) else None
        is_slip = note.mentions and note.mentions[0].polarity == "absent" and self._mess.happens(_CLASS_CONTRADICTS)
        return "I" if is_slip else None

    def _site_name(self, site: int, day: int) -> str:
        """Name a site as it was called that day."""
        place = SITES[site]
        return place.former_name if place.renamed_on and self.days.on(day) < place.renamed_on else place.name

    def _order(self, order: Order, vehicle: Vehicle) -> None:
        is_open = order.finished > self.days.extract
        complaint, work = complaint_text(order, self._words), work_text(order, self._words, is_open=is_open)
        self._state("work_orders", order.record_id, "complaint", complaint.said)
        self._state("work_orders", order.record_id, "work_done", work.said)
        record = self._order_record(order, vehicle, is_open=is_open)
        record |= {"complaint": complaint.words, "work_done": work.words}
        issued = (
            [] if is_open or order.work not in ("repair", "cover_off") else parts_of(order, vehicle.family, self._mess)
        )
        self._file_order(order, self._lines(order.site, record, issued))

    def _order_record(self, order: Order, vehicle: Vehicle, *, is_open: bool) -> Record:
        mess = self._mess
        opening, completion = _HOURS_AFTER if order.task == "booked twice" else _HOURS
        opened = order.opened * 1440 + mess.whole(*opening)
        hours = hours_of(order, vehicle.family, mess)
        has_end = order.completed is not None and not is_open
        closed, still_open = _STATES[order.site]
        return {
            "order_id": order.record_id, "vehicle_id": vehicle.vehicle_id,
            "site": self._site_name(order.site, order.opened), "opened_at": opened,
            "completed_at": (order.completed or 0) * 1440 + mess.whole(*completion) if has_end else None,
            "odometer": self._odometer(vehicle, order.opened, is_miles=order.site == _MILES_SITE),
            "job_code": _job_code(order, is_open=is_open, chance=mess), "labour_hours": hours,
            "labour_cost": round(hours * HOUR_COST, 2), "technician": f"T-{order.site + 1}{mess.whole(1, 8):02d}",
            "status": still_open if is_open else closed,
        }  # fmt: skip

    def _lines(self, site: int, record: Record, issued: list[tuple[str, float]]) -> list[Record]:
        """Split an order into a line for the work and one for each part, at the sites that do."""
        if not LAYOUTS[LAYOUT_NUMBERS[_ORDERS[site]]].is_lined:
            cost = round(sum(price for _, price in issued), 2)
            return [record | {"parts": " + ".join(part for part, _ in issued), "parts_cost": cost if issued else None}]
        same = ("order_id", "vehicle_id", "site", "opened_at", "completed_at", "odometer", "technician", "status")
        shared = {name: record[name] for name in same}
        return [record, *(shared | {"work_done": "parts", "parts": part, "parts_cost": cost} for part, cost in issued)]

    def _file_order(self, order: Order, lines: list[Record]) -> None:
        """Put an order's lines in the year's file; some years overlap, are corrected, or get their last orders late."""
        name, year = _ORDERS[order.site], self._years[order.opened]
        stem = LAYOUTS[LAYOUT_NUMBERS[name]].stem.replace("{year}", str(year))
        is_past = year < self._years[-1]
        overrides = self._wrong_hours(order.site, year, is_past=is_past)
        if order.site == 1 and is_past and self._month_days[order.opened][0] >= 11 and self._mess.happens(_LATE):
            stem = stem.replace(str(year), str(year + 1))
        for line in lines:
            self._add(name, order.opened, line, stem, **overrides)
        if overrides:
            self.entries += [Entry(LAYOUT_NUMBERS[name], f"{stem}_corrected", order.opened, line) for line in lines]
        if order.site == 0 and is_past and self._month_days[order.opened] > (12, 31 - _OVERLAP_DAYS):
            again = stem.replace(str(year), str(year + 1))
            self.entries += [Entry(LAYOUT_NUMBERS[name], again, order.opened, line) for line in lines]

    def _wrong_hours(self, site: int, year: int, *, is_past: bool) -> dict[str, str]:
        """Hours typed ten times too high in the year that is corrected later."""
        if site == 1 and is_past and year == self._years[-1] - 1 and self._mess.happens(_CORRECTED):
            return {"labour_hours": f"{self._mess.whole(11, 48)},0"}
        return {}

    def _top_up(self, top_up: TopUp, vehicle: Vehicle) -> None:
        record = {
            "vehicle_id": vehicle.vehicle_id, "topped_up_at": top_up.day * 1440 + self._mess.whole(360, 1080),
            "volume": top_up.litres, "reason": top_up.reason or CHATTER.say("top_up_reason", self._words, {}),
            "odometer": self._odometer(vehicle, top_up.day, is_miles=top_up.site == _MILES_SITE),
        }  # fmt: skip
        self._add(_OIL[top_up.site], top_up.day, record)

    def _reading(self, day: int, vehicle: Vehicle) -> None:
        km = typed_odometer(vehicle.shown_km(day), is_miles=False, chance=self._mess)
        hours = round(vehicle.km_at(day) / 38) if self._mess.happens(0.3) else None
        record = {"vehicle_id": vehicle.vehicle_id, "read_at": day * 1440, "odometer": km, "engine_hours": hours}
        self._add("fuel pump odometers", day, record)

    def _register(self, vehicle: Vehicle) -> None:
        """Enter the vehicle in the fleet register and, where its engine was exchanged, in the fitments."""
        until, mess = self.days.extract, self._mess
        engines = [engine for engine in vehicle.engines if engine[1] <= until]
        is_stale = len(engines) > 1 and mess.happens(0.1)
        site = SITES[vehicle.site]
        self._add("fleet register", 0, {
            "vehicle_id": vehicle.vehicle_id, "vehicle_class": vehicle.vehicle_class,
            "engine_family": vehicle.family.code, "engine_id": engines[0 if is_stale else -1][0],
            "fuel": vehicle.family.fuel, "site": site.former_name if mess.happens(0.5) else site.name,
            "in_service_on": vehicle.in_service,
            "out_of_service_on": vehicle.sold if vehicle.sold is not None and vehicle.sold <= until else None,
        })  # fmt: skip
        if len(engines) > 1 or (engines[0][2] is not None and engines[0][2] <= until):
            for engine, fitted, removed in engines:
                self._add("engine fitments", 0, {
                    "vehicle_id": vehicle.vehicle_id, "engine_id": engine, "engine_family": vehicle.family.code,
                    "fitted_on": fitted, "removed_on": removed if removed is not None and removed <= until else None,
                })  # fmt: skip

    def _card(self, renewal: Renewal, vehicle: Vehicle) -> None:
        """Return the job card of one cover; some boxes stay blank."""
        family, order, mess = vehicle.family, renewal.order, self._mess
        asked = steps_of(renewal.method, family)

        def followed(step: str) -> bool | None:
            return step not in renewal.skipped if step in asked else None

        settled, turned = followed("no_settle_wait"), followed("no_final_angle")
        filled = {
            "bolts_renewed": order.has_new_bolts, "seals_renewed": renewal.method in SEAL_METHODS,
            "faces_cleaned": followed("faces_not_cleaned"), "ventilation_checked": followed("ventilation"),
            "sequence_followed": followed("sequence"),
            "stage1_nm": round(family.stage1_nm * mess.between(0.95, 1.1), 1),
            "settle_min": None if settled is None else family.settle_min * settled,
            "final_angle_deg": None if turned is None else family.final_angle_deg * turned,
            "run_up_check": mess.happens(0.8), "cover_flatness_mm": round(mess.between(0.02, 0.15), 2),
        }  # fmt: skip
        kept = {name: value for name, value in filled.items() if not mess.happens(_BLANK_STEP)}
        self._add("job cards", order.opened, {"order_id": order.record_id, "cover_position": renewal.position} | kept)


def _job_code(order: Order, *, is_open: bool, chance: Chance) -> str:
    """Return the workshop's code: one site's means a job, the other's only a department."""
    if order.site == 3:
        return "ENG" if order.work != "none" or order.task in ("misfire", "smell", "service") else "GEN"
    if order.work == "repair" and not is_open and chance.happens(0.85):
        return _CODES["cover_gasket"]
    if order.task in TASKS:
        return _CODES[_TASK_WORDS.get(order.task, order.task)]
    return _CODES["engine"] if order.work != "none" else _CODES["sundry"]
