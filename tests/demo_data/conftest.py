import pytest

from spc.board.board import Board
from spc.settings import load_settings


@pytest.fixture(scope="session")
def shift(demonstration):
    return Board(demonstration.store_path, load_settings(demonstration.settings_path)).shift()
