"""Where a text says that oil is on or near the hot parts of the exhaust, and which leak it says that of."""

from collections.abc import Iterator, Sequence

from models.notes.deciding import OILY, Statement
from models.notes.terms import Term
from models.notes.tokens import PAUSE, QUESTION, STOP, Token

HOT = frozenset({"exhaust", "manifold", "turbo", "downpipe", "heatshield"})
"""Hot parts near a cover: oil that reaches them can catch fire, which outranks how much it is (common practice)."""
HOT_PAIRS = frozenset({("down", "pipe"), ("heat", "shield"), ("hot", "side")})
"""Hot parts written in two words."""
_COLD = frozenset({"inlet", "intake"})
"""Words before "manifold" that make it a cold one."""
_SIDES = frozenset({"side", "end", "edge", "corner", "half", "face"})
"""Words after a hot part that make it a side of the cover: "exhaust side"."""

# fmt: off
_REACHING = frozenset({
    "on", "onto", "over", "off", "down", "along", "around", "against", "toward", "near", "above", "by", "next", "close",
    "adjacent", "reach", "reaches", "reached", "reaching", "hits", "hitting", "touching",
})
# fmt: on
"""Words before a hot part that put the oil there; what comes "from" it, or is seen "with" it on, is elsewhere."""
_BETWEEN = frozenset({"to", "the", "hot", "front", "rear", "left", "right"})
"""Words that may stand between."""
_COVERED = frozenset({"covered", "soaked", "coated", "oily"})
"""Words after a hot part that put the oil there."""
_NONE = frozenset({"no", "not", "nil", "none", "nothing", "without"})
"""Words that keep the oil away."""
_OILY_KINDS = frozenset({"leak", "oil", "symptom"})
_CLAUSE_ENDS = frozenset({STOP, PAUSE, QUESTION, "but"})


def mark_hot_parts(statements: list[Statement], text: str, tokens: Sequence[Token], terms: list[Term]) -> None:
    """Write each hot part that oil is on or near on the leak it goes with.

    That is the leak named last before it, with those said in the same words; where none is, the next one.
    """
    leaks = [said for said in statements if said.component in OILY and said.polarity == "present"]
    for start, end in _oily_hot_parts(tokens, terms) if leaks else ():
        before = [leak for leak in leaks if leak.start < start]
        nearest = max((leak.end for leak in before), default=None)
        for leak in [leak for leak in before if leak.end == nearest] or leaks[:1]:
            leak.hot_part = leak.hot_part or text[start:end]


def _oily_hot_parts(tokens: Sequence[Token], terms: list[Term]) -> Iterator[tuple[int, int]]:
    """First and last character of each hot part with oil on or near it."""
    term_at = {at: term for term in terms for at in range(term.first, term.last + 1)}
    at = 0
    while at < len(tokens):
        last = _end_of_hot_part(tokens, at)
        if last < at:
            at += 1
            continue
        term = term_at.get(at)
        is_source = term is not None and term.kind == "mention" and not term.is_landing
        if not is_source and _is_reached(tokens, at, last) and _is_oil_there(tokens, term_at, at):
            yield tokens[at].start, tokens[last].end
        at = last + 1


def _end_of_hot_part(tokens: Sequence[Token], first: int) -> int:
    """Last token of the hot part that begins at a token; the token before it where none does."""
    words = [token.word for token in tokens[first:]]
    at = 0
    while at < len(words):
        if tuple(words[at : at + 2]) in HOT_PAIRS:
            at += 2
        elif words[at] in HOT and not (first + at and tokens[first + at - 1].word in _COLD):
            at += 1
        else:
            break
    return first + at - 1


def _is_reached(tokens: Sequence[Token], first: int, last: int) -> bool:
    """Whether the words beside a hot part put something on or near it."""
    after = [token.word for token in tokens[last + 1 : last + 3]]
    if after and after[0] in _SIDES:
        return False
    before = next((token.word for token in reversed(tokens[:first]) if token.word not in _BETWEEN), "")
    return before in _REACHING or not _COVERED.isdisjoint(after)


def _is_oil_there(tokens: Sequence[Token], term_at: dict[int, Term], first: int) -> bool:
    """Whether the clause of a hot part speaks of oil, and does not deny it."""
    start = next((at + 1 for at in reversed(range(first)) if tokens[at].word in _CLAUSE_ENDS), 0)
    for at in reversed(range(start, first)):
        term = term_at.get(at)
        if term is not None and term.kind == "leak":
            return not term.is_negated
        if tokens[at].word in _NONE:
            return False
    end = next((at for at in range(first, len(tokens)) if tokens[at].word in _CLAUSE_ENDS), len(tokens))
    return any(
        tokens[at].word in ("oil", "onto") or (at in term_at and term_at[at].kind in _OILY_KINDS)
        for at in range(start, end)
    )
