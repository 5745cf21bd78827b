"""A small context-free grammar: a symbol has alternatives, and `{symbol}` in one is replaced by a draw of another.

    leak = {slight} weep at {cover} | {cover} weeping
    slight = slight | light
    cover = rocker cover | valve cover
    and = < and > | <, >

Alternatives stand between bars; one whose blanks count stands in angle brackets, an empty one is `<>`. A rule that
needs more than a line goes on indented ones.
"""

import re
from collections.abc import Mapping, Sequence
from string import Formatter

from models.simulation.chance import Chance

Parts = tuple[tuple[str, str | None], ...]


class Grammar:
    """Rules, checked when made: every symbol used is either defined or given by the caller.

    Args:
        rules: Symbol to its alternatives; a repeated alternative is likelier.
        given: Symbols that the caller fills at each saying.

    Raises:
        KeyError: An alternative uses a symbol that nobody defines.
    """

    def __init__(self, rules: Mapping[str, Sequence[str]], *, given: Sequence[str] = ()) -> None:
        self._rules = {symbol: tuple(_parts(text) for text in texts) for symbol, texts in rules.items()}
        used = {name for texts in self._rules.values() for parts in texts for _, name in parts if name}
        if unknown := used - set(rules) - set(given):
            raise KeyError(f"no rule for {sorted(unknown)}")

    @classmethod
    def parse(cls, text: str, *, given: Sequence[str] = ()) -> "Grammar":
        """Read the rules from a text, one a line.

        Raises:
            KeyError: An alternative uses a symbol that nobody defines.
        """
        joined = re.sub(r"\n {4,}", " ", text).strip().splitlines()
        rules = (line.split(" = ", 1) for line in joined)
        return cls({symbol.strip(): _alternatives(texts) for symbol, texts in rules}, given=given)

    @property
    def symbols(self) -> tuple[str, ...]:
        """All symbols that have a rule."""
        return tuple(self._rules)

    def say(self, symbol: str, chance: Chance, given: Mapping[str, str]) -> str:
        """Draw a phrase for a symbol."""
        texts = self._rules[symbol]
        said = []
        for literal, name in texts[int(chance.unit() * len(texts))]:
            said.append(literal)
            if name is not None:
                word = given.get(name)
                said.append(self.say(name, chance, given) if word is None else word)
        return "".join(said)

    def forms(self, symbol: str, given: Mapping[str, str]) -> int:
        """Count the different derivations of a symbol."""
        total = 0
        for parts in self._rules[symbol]:
            ways = 1
            for _, name in parts:
                ways *= self.forms(name, given) if name is not None and name not in given else 1
            total += ways
        return total


def _alternatives(texts: str) -> list[str]:
    stripped = (text.strip() for text in texts.split("|"))
    return [text[1:-1] if text.startswith("<") else text for text in stripped]


def _parts(text: str) -> Parts:
    return tuple((literal, name) for literal, name, _, _ in Formatter().parse(text))
