"""The resource every asset takes, the executor that keeps a run in one process, and the log of its steps."""

import logging

import dagster as dg

from pipelines.fleet_home import FleetHome
from pipelines.refreshing import STEP_LOG


class _StepStarts(logging.Handler):
    """Passes on the name of each step that starts, and nothing else."""

    def emit(self, record: logging.LogRecord) -> None:
        """Look for a step's start among Dagster's log records."""
        event = getattr(record, "dagster_meta", {}).get("dagster_event")
        if event is not None and event.is_step_start:
            logging.getLogger(STEP_LOG).info(event.step_key)


@dg.logger(config_schema={}, description="Names each step as it starts, for the command's progress bar.")
def steps(_context: dg.InitLoggerContext) -> logging.Logger:
    """Make the logger that the command asks for in place of the console."""
    logger = logging.Logger("releak")
    logger.addHandler(_StepStarts())
    return logger


@dg.definitions
def resources() -> dg.Definitions:
    """The home named by RELEAK_HOME, and one process a run: a run holds the home's lock from first step to last."""
    return dg.Definitions(
        resources={"home": FleetHome(path=dg.EnvVar("RELEAK_HOME"))},
        executor=dg.in_process_executor,
        loggers={"steps": steps, "console": dg.colored_console_logger},
    )
