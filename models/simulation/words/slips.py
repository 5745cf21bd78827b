"""Slips of the pen in words: misspellings, swapped letters, shouting."""

from models.simulation.chance import Chance

MISSPELLINGS = {
    "gasket": ("gaskit", "gaskett", "gakset", "gasekt"),
    "leaking": ("leeking", "leakin", "leaknig", "leking"),
    "rocker": ("rokcer", "rocer", "rokker", "rocke"),
    "cover": ("cver", "covr", "coevr"),
    "valve": ("vavle", "valv"),
    "weeping": ("weaping", "weping", "weepin"),
    "dripping": ("driping", "drippin"),
    "burning": ("burnign", "burnin"),
    "misfire": ("missfire", "misfier"),
    "renewed": ("renewd", "reneweed"),
    "replaced": ("replacd", "repalced"),
    "seals": ("seels", "seasl"),
    "checked": ("cheked", "chekced"),
}
"""Word to ways it is misspelt."""
_PROTECTED = frozenset(("without", "never", "none", "nothing", "class", "again", "since"))
_SLIP = 0.05
_SHOUT = (0.55, 0.03, 0.05, 0.02)
"""Share of all-capital texts by site: one terminal has its shift lock on."""


def slipped(text: str, site: int, chance: Chance) -> str:
    """Return a text with at most one slip, and in capitals where that is the custom."""
    if chance.happens(_SLIP):
        text = _misspelt(text, chance)
    if chance.happens(_SHOUT[site]):
        return text.upper()
    return text[:1].upper() + text[1:] if chance.happens(0.6) else text


def _misspelt(text: str, chance: Chance) -> str:
    words = text.split(" ")
    place = chance.whole(0, len(words) - 1)
    word = words[place]
    if word in MISSPELLINGS:
        words[place] = chance.pick(MISSPELLINGS[word])
    elif len(word) > 4 and word.isalpha() and word not in _PROTECTED:
        words[place] = swapped(word, chance.whole(1, len(word) - 3))
    return " ".join(words)


def swapped(word: str, place: int) -> str:
    """Swap a character with the next."""
    return word[:place] + word[place + 1] + word[place] + word[place + 2 :]
