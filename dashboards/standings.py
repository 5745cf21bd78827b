"""How a vehicle stands today: what passing days and the rest of the fleet change while nothing happens to it."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from dashboards.snapshot import Snapshot
from dashboards.wording import COVER_WORDS, day_words, decimal, decimal_range, sentence_start
from models.tables.plan import URGENT


@dataclass(frozen=True)
class Due:
    """A cover that is due for a look.

    Args:
        says: Which cover, by when and why, in a sentence.
        is_urgent: Whether it smells of burning oil or drops oil: looked at before the vehicle is driven again.
    """

    says: str
    is_urgent: bool = False


@dataclass(frozen=True)
class Standing:
    """What is due on a vehicle and how its oil compares with its family's.

    Args:
        facts: The oil it takes, name and value.
        flags: The covers due for a look, the most urgent first.
    """

    facts: tuple[tuple[str, str], ...] = ()
    flags: tuple[Due, ...] = ()


def standings(snapshot: Snapshot, vehicles: Sequence[str]) -> dict[str, Standing]:
    """Say of each of some vehicles how it stands."""
    facts: dict[str, list[tuple[str, str]]] = {}
    for trend in snapshot.table("oil_trends", vehicles=vehicles).iter_rows(named=True):
        facts.setdefault(trend["vehicle_id"], []).extend(_oil_facts(trend))
    flags: dict[str, list[Due]] = {}
    due = snapshot.table("flags", vehicles=vehicles).sort("priority", "vehicle_id", "cover_position")
    for flag in due.iter_rows(named=True):
        flags.setdefault(flag["vehicle_id"], []).append(Due(_flag_words(flag), URGENT in flag["rules"]))
    return {vehicle: Standing(tuple(facts.get(vehicle, ())), tuple(flags.get(vehicle, ()))) for vehicle in vehicles}


def times_words(figure: dict[str, Any]) -> str:
    """A ratio with its interval, as words go on after it."""
    return f"{decimal(figure['ratio'], 2)} times ({decimal_range(figure['low'], figure['high'])})"


def _flag_words(flag: dict[str, Any]) -> str:
    """Why one cover is due for a look."""
    cover = sentence_start(COVER_WORDS[flag["cover_position"]])
    return f"{cover} cover, due by {day_words(flag['due_by'])}: {flag['reasons']}"


def _oil_facts(trend: dict[str, Any]) -> Iterator[tuple[str, str]]:
    """How much oil the present engine takes, against its family, and whether that moved."""
    said = f"{decimal(trend['litres_per_1000km'], 2)} L/1,000 km"
    if trend["ratio"] is None:
        yield "Oil put in", f"{said}; against the family {trend['reason']}"
    else:
        yield "Oil put in", f"{said}, {times_words(trend)} what others of its family take"
    if trend["is_shifted"]:
        times = f"{decimal(trend['shift_ratio'])} times what it was"
        yield "Oil rate moved", f"{times}, since about {day_words(trend['shifted_on'])}"
