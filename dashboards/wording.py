"""How the pages say numbers, dates and the closed lists of words."""

from collections.abc import Iterable
from datetime import date, datetime

METHOD_WORDS = {
    "retightened": "re-tightened",
    "external_sealant": "sealant from outside",
    "gasket": "gasket",
    "gasket_and_seals": "gasket and seals",
    "gasket_seals_bolts": "gasket, seals and bolts",
    "cover_replaced": "cover replaced",
    "unstated": "method not stated",
}
"""Repair method to words, by how much of the joint is renewed."""

STEP_WORDS = {
    "old_bolts": "old bolts used again",
    "seals_not_renewed": "seals not renewed",
    "faces_not_cleaned": "faces not cleaned",
    "ventilation_not_checked": "ventilation not checked",
    "sequence_not_followed": "tightening sequence not followed",
    "no_settle_wait": "no wait to settle",
    "no_final_angle": "no final angle",
    "no_run_up_check": "no run-up check",
}
"""Skipped job step to words."""
OCCASION_WORDS = {"leak": "for a leak", "routine": "as routine", "other_work": "with other work"}
COVER_WORDS = {"only": "single", "left": "left", "right": "right", "": "side not named"}
COMPONENT_WORDS = {
    "cover_gasket": "cover gasket",
    "plug_tube_seal": "plug-tube seal",
    "other_oil_leak": "other oil leak",
    "other_fluid": "other fluid",
    "none": "no leak named",
}
POLARITY_WORDS = {"present": "wet", "absent": "dry", "resolved": "cured earlier", "uncertain": "suspect"}
SCALE_WORDS = {"days": "days", "km": "kilometres", "hours": "engine hours"}
"""What time since a repair is counted in, in words."""
EXPOSURE_WORDS = {"days": "vehicle-year", "km": "100,000 km", "hours": "1,000 engine hours"}
"""What a rate is per."""
TOO_FEW = "too few to say"
NOTHING = "–"


def whole(value: float | None) -> str:
    """A number to the nearest whole."""
    return decimal(value, 0)


def decimal(value: float | None, places: int = 1) -> str:
    """A number with a fixed count of decimals; a comma between thousands, as on the figures' axes."""
    return NOTHING if value is None else f"{value:z,.{places}f}".replace("-", "\u2212")


def chance(p_value: float | None) -> str:
    """A p or q value: three decimals, or below the smallest of them."""
    return "< 0.001" if p_value is not None and p_value < 0.001 else decimal(p_value, 3)


def percent(share: float | None) -> str:
    """A share as a percentage: one decimal below 10%, whole above."""
    if share is None:
        return NOTHING
    shown = 100 * share
    return f"{shown:.1f}%" if 0 < shown < 9.95 else f"{shown:.0f}%"


def percent_range(low: float | None, high: float | None) -> str:
    """The ends of an interval of a share."""
    return NOTHING if low is None or high is None else f"{percent(low)} to {percent(high)}"


def whole_range(low: float | None, high: float | None) -> str:
    """The ends of an interval of a count, days or km."""
    return NOTHING if low is None or high is None else f"{whole(low)} to {whole(high)}"


def whole_with_range(value: float | None, low: float | None, high: float | None) -> str:
    """A count, days, km or money with the ends of its interval in brackets."""
    return NOTHING if value is None else f"{whole(value)} ({whole_range(low, high)})"


def decimal_range(low: float | None, high: float | None, places: int = 2) -> str:
    """The ends of an interval of a ratio or a rate."""
    return NOTHING if low is None or high is None else f"{decimal(low, places)} to {decimal(high, places)}"


def decimal_with_range(value: float | None, low: float | None, high: float | None, places: int = 2) -> str:
    """A ratio or a rate with the ends of its interval in brackets."""
    return NOTHING if value is None else f"{decimal(value, places)} ({decimal_range(low, high, places)})"


def apart(value: float, *limits: float, places: int = 2, most: int = 4) -> int:
    """The fewest decimals, `places` or more, that show on which side of each limit a value lies."""
    return next(
        (
            count
            for count in range(places, most)
            if decimal(value, count) not in [decimal(end, count) for end in limits]
        ),
        most,
    )


def reason_words(reason: str | None) -> str:
    """Why a figure is missing, as pages say it: repairs, where the published tables have episodes."""
    return (reason or TOO_FEW).replace("episode", "repair")


def interval_words(confidence: float) -> str:
    """The level of an interval: 95% interval."""
    return f"{100 * confidence:g}% interval"


def day_words(day: date | datetime | None) -> str:
    """A day as in 3 Mar 2026."""
    return NOTHING if day is None else f"{day.day}\u00a0{day:%b}\u00a0{day.year}"


def counted(count: float, noun: str, plural: str = "") -> str:
    """A count with its noun: 1 repair, 2 repairs."""
    return f"{whole(count)} {noun if count == 1 else plural or noun + 's'}"


def listed(items: Iterable[str]) -> str:
    """Items as a person would say them: a, b and c."""
    *first, last = list(items) or [NOTHING]
    return f"{', '.join(first)} and {last}" if first else last


def method_words(method: str) -> str:
    """A repair method in words; the empty group is all of them."""
    return METHOD_WORDS.get(method, method) if method else "all methods"


def family_words(family: str) -> str:
    """An engine family; the empty group is all of them."""
    return family or "all engine families"


def site_words(site: str) -> str:
    """A site; the empty group is all of them."""
    return site or "all sites"


def sentence_start(words: str) -> str:
    """Words with a capital first letter, the rest left as it is: codes keep theirs."""
    return words[:1].upper() + words[1:]
