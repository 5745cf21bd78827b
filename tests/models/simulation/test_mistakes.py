from collections import Counter

import numpy as np
import pytest

from models.simulation.chance import Chance
from models.simulation.mistakes import typed_odometer


def _typed(shown_km: float, *, is_miles: bool = False) -> Counter[int]:
    chance = Chance(np.random.default_rng(8))
    return Counter(typed_odometer(shown_km, is_miles=is_miles, chance=chance) for _ in range(20_000))


def test_most_odometers_are_typed_as_shown():
    typed = _typed(123_456.4)
    assert 0.98 < typed[123_456] / typed.total() < 0.99


def test_each_kind_of_slip_happens():
    typed = _typed(12_345.0)
    assert typed[13_245] > 0
    assert typed[122_345] > 0
    assert typed[round(12_345 / 1.609344)] > 0
    assert any(value < 1_000 for value in typed)


def test_a_site_in_miles_writes_miles_and_sometimes_forgets():
    typed = _typed(160_934.4, is_miles=True)
    assert typed.most_common(1)[0][0] == 100_000
    assert typed[160_934] > 0


@pytest.mark.parametrize("shown_km", [0.0, 7.0, 999_999.0])
def test_no_slip_is_longer_than_an_instrument(shown_km):
    assert max(_typed(shown_km)) <= 999_999
