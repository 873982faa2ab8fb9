import pytest

from demo_data.scenario import build
from spc.board.board import Board
from spc.settings import load_settings


@pytest.fixture(scope="session")
def demonstration(tmp_path_factory):
    return build(tmp_path_factory.mktemp("demonstration"))


@pytest.fixture(scope="session")
def shift(demonstration):
    return Board(demonstration.store_path, load_settings(demonstration.settings_path)).shift()
