"""Single random draws at the speed of a list, from a seeded numpy generator."""

import math
from collections.abc import Iterator, Sequence
from typing import TypeVar

import numpy as np

T = TypeVar("T")
_BLOCK = 8192
PURPOSES = ("fleet", "history", "background", "words", "mess")
"""What a stream of draws is for; each purpose has its own, so that changing one leaves the others as they were."""


def generator(seed: int, chunk: int, purpose: str) -> np.random.Generator:
    """Return the generator of one chunk and purpose.

    Raises:
        ValueError: The purpose is none of `PURPOSES`.
    """
    return np.random.default_rng([seed, chunk, PURPOSES.index(purpose)])


def _units(generator: np.random.Generator) -> Iterator[float]:
    while True:
        yield from generator.random(_BLOCK).tolist()


class Chance:
    """A stream of draws. `unit()` is uniform on [0, 1)."""

    def __init__(self, generator: np.random.Generator) -> None:
        self.unit = _units(generator).__next__

    def happens(self, probability: float) -> bool:
        """Say whether something of that probability happens."""
        return self.unit() < probability

    def pick(self, options: Sequence[T]) -> T:
        """Pick one, each as likely as the other."""
        return options[int(self.unit() * len(options))]

    def weighted(self, weights: dict[T, float]) -> T:
        """Pick a key in proportion to its weight."""
        left = self.unit() * sum(weights.values())
        for option, weight in weights.items():
            left -= weight
            if left < 0:
                return option
        return next(reversed(weights))

    def whole(self, low: int, high: int) -> int:
        """Draw a whole number from low to high, both included."""
        return low + int(self.unit() * (high - low + 1))

    def between(self, low: float, high: float) -> float:
        """Draw uniformly between two numbers."""
        return low + self.unit() * (high - low)

    def exponential(self, mean: float) -> float:
        """Draw an exponential time."""
        return -mean * math.log1p(-self.unit())
