"""How an episode ended, in one plain sentence."""

from datetime import date

from models.episodes.endings import Outcome
from models.episodes.facts import Look

MAX_QUOTE_LENGTH = 90
"""Longer words are cut: the sentence points at the record, which holds them all."""

_SOURCES = {"text": "a note", "complaint": "the complaint on order {}", "work_done": "the work done on order {}"}
_BY_ORDER = {
    "cover off for other work": "took the cover off for other work",
    "engine removed": "took the engine out",
    "repaired again without a leak": "repaired the cover again",
}
_BY_DAY = {"engine removed": "the engine was removed", "vehicle out of service": "the vehicle left service"}


def cause_of(outcome: Outcome) -> str:
    """Say what ended an episode, as the clause that ends its sentence."""
    ending = outcome.ending
    if ending.look is not None:
        dry = f"; it was last seen dry on {outcome.last_dry.on}" if outcome.last_dry else ""
        return f"{_said(ending.look)}{dry}"
    hint = f", though {_said(outcome.hint)}" if outcome.hint else ""
    if ending.status == "censored":
        return f"up to the vehicle's last record on {ending.on}{hint}"
    if ending.order_id:
        return f"until order {ending.order_id} of {ending.on} {_BY_ORDER[ending.reason]}{hint}"
    return f"until {_BY_DAY[ending.reason]} on {ending.on}{hint}"


def sentence(status: str, days: float, km: float | None, cause: str) -> str:
    """Tell the whole story of an episode from its status, length and the clause of its end."""
    length = _length(days, km)
    if status == "re-leak":
        return f"Leaked again {length} after the repair: {cause}."
    return f"No leak found in {length}, {cause}."


def _length(days: float, km: float | None) -> str:
    """Days and kilometres in words; kilometres only where they are known."""
    in_days = "1 day" if days == 1 else f"{days:,.0f} days"
    return in_days if km is None else f"{in_days} and {km:,.0f} km"


def _said(look: Look) -> str:
    """Name a record, its day and its words."""
    source = _SOURCES[look.origin_field].format(look.origin_id)
    return (
        f"{source} of {_day(look.on)} says '{_quote(look.words)}'" if look.words.strip() else _silent(source, look.on)
    )


def _silent(source: str, on: date) -> str:
    """Name a record whose complaint was recognised by its code or parts alone."""
    return f"{source} of {_day(on)} reports oil"


def _day(on: date) -> str:
    return on.isoformat()


def _quote(words: str) -> str:
    """Put words on one line and cut them at a word where they are long."""
    line = " ".join(words.split()).rstrip(".")
    if len(line) <= MAX_QUOTE_LENGTH:
        return line
    return line[:MAX_QUOTE_LENGTH].rsplit(" ", 1)[0] + " ..."
