"""One run of the whole graph from the command: the same job, in this process, recorded where `dagster dev` shows it."""

import io
import logging
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, redirect_stderr
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from models.errors import CheckFailedError, ReleakError
from pipelines.home import Home
from pipelines.refusals import causes, refusal
from pipelines.warehouse import Warehouse

if TYPE_CHECKING:
    import dagster as dg

DAGSTER_YAML = "telemetry:\n  enabled: false\nnux:\n  enabled: false\n"
STEP_LOG = "releak.steps"
"""Name of the Python logger on which `defs` says which step starts."""
Progress = Callable[[str, int], None]
"""Called with the step that starts and the number of steps in all."""


@dataclass(frozen=True)
class Refreshed:
    """What a run left behind.

    Args:
        snapshot: The published snapshot's file.
        report: The first page.
    """

    snapshot: Path
    report: Path


def refresh(home: Home, *, as_of: date | None = None, on_step: Progress | None = None) -> Refreshed:
    """Take the inbox through every layer and publish.

    Args:
        home: Where to work.
        as_of: The day the figures are true as of; the settings', else today, where none is named.
        on_step: Told of each step as it starts.

    Raises:
        CheckFailedError: A blocking check failed; the last snapshot keeps serving.
        ReleakError: The data, a map, the settings, a full disk or another run stopped it.
    """
    home.check_free()
    from dagster._core.errors import DagsterAssetCheckFailedError  # not exported, and nothing else tells it apart

    from pipelines.definitions import defs

    job = defs().resolve_job_def("refresh")
    config = {"path": str(home.path), "sources": str(home.sources or ""), "as_of": str(as_of or "")}
    try:
        with (
            _told_of_steps(on_step, steps=len(job.nodes)),
            _holding_back_words(),
            _instance(home) as instance,
        ):
            job.execute_in_process(
                instance=instance,
                run_config={"resources": {"home": {"config": config}}, "loggers": {"steps": {"config": {}}}},
            )
    except DagsterAssetCheckFailedError as error:
        raise CheckFailedError(_failed_checks(Warehouse(home.warehouse))) from error
    except ReleakError:
        raise
    except Exception as error:
        foreseen = _own(error) or refusal(error, home.warehouse.parent)
        if foreseen is None:
            raise
        raise foreseen from error
    return Refreshed(home.snapshot(), home.report / "index.html")


def _instance(home: Home) -> "dg.DagsterInstance":
    """Open Dagster's own records in the home, with telemetry off."""
    import dagster as dg
    from dagster._core.instance.ref import InstanceRef  # not exported, and the one way to name a storage for this run

    settings = home.dagster / "dagster.yaml"
    if not settings.exists():
        building = settings.with_suffix(".next")
        building.write_text(DAGSTER_YAML, encoding="utf-8")
        building.replace(settings)
    storage = {
        "module": "pipelines.run_history",
        "class": "OpenEventLog",
        "config": {"base_dir": str(home.dagster / "history" / "runs")},
    }
    kept_open = InstanceRef.from_dir(str(home.dagster), overrides={"event_log_storage": storage})
    return dg.DagsterInstance.from_ref(kept_open)


@contextmanager
def _holding_back_words() -> Iterator[None]:
    """Keep what libraries say on standard error until the run is over; where it failed, the error says it all."""
    with redirect_stderr(io.StringIO()) as words:
        yield
    sys.stderr.write(words.getvalue())


@contextmanager
def _told_of_steps(on_step: Progress | None, *, steps: int) -> Iterator[None]:
    """Pass each step's name on while the run lasts."""
    log = logging.getLogger(STEP_LOG)
    log.setLevel(logging.INFO)
    log.propagate = False
    handler = _StepHandler(on_step, steps) if on_step else logging.NullHandler()
    log.addHandler(handler)
    try:
        yield
    finally:
        log.removeHandler(handler)


class _StepHandler(logging.Handler):
    """Hands a log record's message to a callback."""

    def __init__(self, on_step: Progress, steps: int) -> None:
        super().__init__()
        self._on_step, self._steps = on_step, steps

    def emit(self, record: logging.LogRecord) -> None:
        """Pass one step on."""
        self._on_step(record.getMessage(), self._steps)


def _failed_checks(warehouse: Warehouse) -> str:
    """Say which checks failed, and that nothing new was published."""
    failed = warehouse.select(
        "SELECT table_name, check_name, detail FROM audit.checks WHERE is_blocking AND NOT passed ORDER BY ALL"
    )
    found = "; ".join(f"{table}.{check}: {detail}" for table, check, detail in failed.rows())
    return f"A check stopped the run, so the last published snapshot keeps serving. {found}."


def _own(error: BaseException) -> ReleakError | None:
    """Find our own error among the causes of one of Dagster's."""
    return next((cause for cause in causes(error) if isinstance(cause, ReleakError)), None)
