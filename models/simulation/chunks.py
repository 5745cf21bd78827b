"""One chunk of a fleet, drawn whole: its exported rows and its truth."""

from dataclasses import dataclass

from models.simulation.background import vehicle_background
from models.simulation.chance import Chance, generator
from models.simulation.events import Note, Order
from models.simulation.fleet import Calendar, Vehicle, calendar, draw_vehicles
from models.simulation.history import vehicle_history
from models.simulation.mistakes import Entry, refused_entries
from models.simulation.records import Clerk, Lived, recorded
from models.simulation.truth import Row, episode_rows, odometer_rows, vehicle_row

IDS_PER_CHUNK = 100_000
"""Numbers set aside for a chunk's records, several times what it uses."""
_ID_PREFIXES = ("QM-", "PE", "S", "FN-")


@dataclass(slots=True)
class Chunk:
    """Rows to export, sorted by file and day, and rows of each truth file."""

    entries: list[Entry]
    truth: dict[str, list[Row]]


def draw_chunk(chunk: int, *, vehicles: int, years: float, seed: int) -> Chunk:
    """Draw one chunk of a fleet; it does not depend on any other chunk.

    Args:
        chunk: From 0 to `fleet.chunks_of(vehicles)` - 1.
        vehicles: Size of the whole fleet.
        years: How long it was watched up to the extract.
        seed: Fleet's seed.
    """
    days = calendar(years)
    drawn = draw_vehicles(chunk, vehicles=vehicles, days=days, seed=seed)
    lived = _live(drawn, days, seed, chunk)
    _number(lived, chunk)
    mess = Chance(generator(seed, chunk, "mess"))
    clerk = Clerk(days, Chance(generator(seed, chunk, "words")), mess)
    for each in lived:
        clerk.write(each)
    clerk.entries += refused_entries([vehicle.vehicle_id for vehicle in drawn], days, mess)
    clerk.entries.sort(key=lambda entry: (entry.layout, entry.stem, entry.day))
    truth = {
        "episodes": [row for each in lived for row in episode_rows(each, days)],
        "statements": list(clerk.statements),
        "odometer": [row for each in lived for row in odometer_rows(each.vehicle, days)],
        "vehicles": [vehicle_row(each, days) for each in lived],
    }
    return Chunk(clerk.entries, truth)


def _live(drawn: list[Vehicle], days: Calendar, seed: int, chunk: int) -> list[Lived]:
    covers, rest = Chance(generator(seed, chunk, "history")), Chance(generator(seed, chunk, "background"))
    lived = []
    for vehicle in drawn:
        history = vehicle_history(vehicle, days=days, chance=covers)
        background = vehicle_background(vehicle, history, days=days, chance=rest)
        lived.append(recorded(vehicle, history, background, days))
    return lived


def _number(lived: list[Lived], chunk: int) -> None:
    """Number notes and orders of each site by day, within the numbers set aside for the chunk."""
    notes = sorted((note for each in lived for note in each.notes), key=lambda note: note.day)
    orders = sorted((order for each in lived for order in each.orders), key=lambda order: order.opened)
    written: list[Note | Order] = [*notes, *orders]
    for number, record in enumerate(written, start=chunk * IDS_PER_CHUNK + 1):
        record.record_id = _record_id(record, number)


def _record_id(record: Note | Order, number: int) -> str:
    letter = "N" if isinstance(record, Note) else "W"
    return f"{_ID_PREFIXES[record.site]}{letter}{number:07d}"
