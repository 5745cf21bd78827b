"""Everything Dagster knows of Releak: it loads the `defs/` folder."""

from pathlib import Path

import dagster as dg


@dg.definitions
def defs() -> dg.Definitions:
    """Load every asset, check, job, schedule, sensor and resource below `defs/`."""
    return dg.load_from_defs_folder(path_within_project=Path(__file__).parent)
