import pytest

from demo_data.scenario import build
from spc.board.shift import report_shift
from spc.settings import load_settings
from spc.store.store import Store


@pytest.fixture(scope="session")
def demonstration(tmp_path_factory):
    return build(tmp_path_factory.mktemp("demonstration"))


@pytest.fixture(scope="session")
def shift(demonstration):
    with Store.open(demonstration.store_path) as store:
        return report_shift(store, load_settings(demonstration.settings_path))
