from datetime import datetime

import pytest

from spc.report.made import Made
from spc.report.study_content import study_content
from tests.spc.report.invented_study import study_of


@pytest.fixture(scope="session")
def study(tmp_path_factory):
    return study_of(tmp_path_factory.mktemp("study") / "cell.db")


@pytest.fixture(scope="session")
def made():
    return Made(at=datetime(2026, 4, 1, 8, 30), by="Q. Reed", site="Invented site", software="lapcell test")


@pytest.fixture(scope="session")
def content(study, made):
    return study_content(study, made)
