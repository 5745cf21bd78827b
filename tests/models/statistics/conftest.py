"""Episodes small enough to recompute in the slowest, plainest way."""

import numpy as np
import pytest


@pytest.fixture(params=range(4))
def few_episodes(request):
    """Tied whole-day times, some zero, both kinds of end, three groups, several episodes a vehicle: (n,) arrays."""
    random = np.random.default_rng(request.param)
    time = random.integers(0, 25, 80).astype(float)
    cause = random.choice([0, 1, 2], 80, p=[0.3, 0.5, 0.2])
    return time, cause, random.integers(0, 3, 80), random.integers(0, 20, 80)
