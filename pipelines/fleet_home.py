"""The one resource of the graph: the home a run works in, held for the length of the run."""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date, datetime
from functools import cached_property
from pathlib import Path
from zoneinfo import ZoneInfo

import dagster as dg
from pydantic import PrivateAttr

from models.settings import Settings
from pipelines.home import Home
from pipelines.settings import read_settings
from pipelines.warehouse import Warehouse


class FleetHome(dg.ConfigurableResource):
    """A home, its settings and its warehouse, as a run sees them.

    The run holds the home's lock from its first step to its last, so the executor must be the in-process one.
    """

    path: str
    sources: str = ""
    as_of: str = ""
    _settings: Settings = PrivateAttr()

    @contextmanager
    def yield_for_execution(self, context: dg.InitResourceContext) -> Iterator["FleetHome"]:
        """Hold the home, read its settings once, and make the warehouse ready.

        The file stays open until the run ends: opening it anew takes longer than most of what is done with it.
        """
        with self.home.writing():
            self._settings = read_settings(self.home.settings_file)
            with self.warehouse.connect():
                self.warehouse.prepare()
                yield self

    @property
    def home(self) -> Home:
        """Where everything stands."""
        return Home(Path(self.path).absolute(), Path(self.sources).absolute() if self.sources else None)

    @property
    def warehouse(self) -> Warehouse:
        """The working DuckDB."""
        return Warehouse(self.home.warehouse)

    @property
    def settings(self) -> Settings:
        """The thresholds, with the day the figures are true as of always filled in."""
        return self._settings.model_copy(update={"as_of": self.day})

    @cached_property
    def day(self) -> date:
        """The day named for the run, else the one in the settings, else today in the fleet's zone."""
        if self.as_of:
            return date.fromisoformat(self.as_of)
        return self._settings.as_of or datetime.now(ZoneInfo(self._settings.fleet.zone)).date()
