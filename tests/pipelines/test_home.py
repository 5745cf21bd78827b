import os
from pathlib import Path

import pytest

from models.errors import ReleakError, WarehouseBusyError
from pipelines.home import Home


def test_a_second_run_is_told_who_holds_the_home(tmp_path: Path) -> None:
    home = Home(tmp_path)
    with (
        home.writing(),
        pytest.raises(WarehouseBusyError, match=rf"process {os.getpid()} has been writing since 20\d\d-"),
        home.writing(),
    ):
        pytest.fail("two runs held one home")
    home.check_free()


def test_a_home_that_cannot_be_made_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("not a folder")
    with pytest.raises(ReleakError, match=r"file.*Choose a home"):
        Home(tmp_path / "file").prepare()
