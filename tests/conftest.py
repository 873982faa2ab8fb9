"""For all tests: drawn examples are the same in every run, judged by what they give; one thread for small matrices."""

import os
import pickle
import time

import hypothesis
import pytest

# As `lapcell` is started: threads of the linear algebra only wait for each other. Read when numpy is loaded.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

hypothesis.settings.register_profile("same", deadline=None, derandomize=True)
hypothesis.settings.register_profile("search", deadline=None, max_examples=1000)  # looks for new ones, and for long
hypothesis.settings.load_profile("same")


def pytest_configure(config):
    # The browser's tests stand first and last longest: a worker that is done takes tests that wait for the other. As an
    # option of every run, `--dist worksteal` would keep the benchmarks from running.
    if config.getoption("dist", "no") == "load":
        config.option.dist = "worksteal"


@pytest.fixture(scope="session")
def shared(tmp_path_factory, request):
    """A folder that all workers of one run share."""
    root = tmp_path_factory.getbasetemp()
    return root.parent if hasattr(request.config, "workerinput") else root


@pytest.fixture(scope="session", autouse=True)
def kept(shared):
    """Costly results are kept for this run alone: nothing rests on what an earlier one left, nor is left at home."""
    before = os.environ.get("LAPCELL_CACHE")
    os.environ["LAPCELL_CACHE"] = before or str(shared / "kept")
    yield
    if before is None:
        os.environ.pop("LAPCELL_CACHE", None)


@pytest.fixture(scope="session")
def demonstration(shared, kept):
    """The invented cell, to look at only: written and reported on once for all workers."""
    from demo_data.scenario import build
    from spc.board.board import Board
    from spc.settings import load_settings

    folder, mine = shared / "demo", shared / "demo.claim"
    ready = folder / "ready.pickle"
    try:
        mine.touch(exist_ok=False)
    except FileExistsError:  # another worker is at it
        for _ in range(1800):
            if ready.exists():
                return pickle.loads(ready.read_bytes())
            time.sleep(0.1)
        pytest.fail("the invented cell was not made by the worker that began it")
    made = build(folder)
    Board(made.store_path, load_settings(made.settings_path)).shift()
    (folder / "making").write_bytes(pickle.dumps(made))
    (folder / "making").rename(ready)
    return made
