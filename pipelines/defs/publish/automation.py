"""What a run is and what starts one: the whole graph, by hand, each night, or when the inbox has changed."""

import json
import os
from pathlib import Path

import dagster as dg

from pipelines.home import Home
from pipelines.sources import inbox_files

NIGHTLY = "30 2 * * *"
"""Half past two UTC: after the workshops' own nightly exports; sites lie in several zones."""
SENSOR_SECONDS = 60


def inbox_state(inbox: Path) -> str:
    """Names, sizes and times of the inbox's files as one comparable string."""
    files = [inbox / name for name in inbox_files(inbox)]
    states = [(str(file), file.stat().st_size, file.stat().st_mtime_ns) for file in files]
    return json.dumps(states)


refresh = dg.define_asset_job("refresh", selection=dg.AssetSelection.all(), description="From the inbox to the pages.")
nightly = dg.ScheduleDefinition(job=refresh, cron_schedule=NIGHTLY, execution_timezone="UTC")


@dg.sensor(job=refresh, minimum_interval_seconds=SENSOR_SECONDS)
def inbox(context: dg.SensorEvaluationContext) -> dg.RunRequest | dg.SkipReason:
    """Start a run once the inbox has changed and then held still for one look.

    It takes the home from the environment and not from the resource, which would hold the home's lock.
    """
    now = inbox_state(Home(Path(os.environ["RELEAK_HOME"])).inbox)
    seen = json.loads(context.cursor) if context.cursor else {"last": "", "started": ""}
    context.update_cursor(json.dumps({"last": now, "started": seen["started"]}))
    if now != seen["last"]:
        return dg.SkipReason("The inbox is changing; waiting until it holds still.")
    if now == seen["started"]:
        return dg.SkipReason("Nothing new in the inbox.")
    context.update_cursor(json.dumps({"last": now, "started": now}))
    return dg.RunRequest()
