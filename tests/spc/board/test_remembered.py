"""Results are made once, the ones asked for the longest time ago go first, and threads may share them."""

import random
import sys
import threading

import pytest

from spc.board.remembered import Remembered


def test_a_result_is_made_once_while_it_is_among_the_newest():
    made = []
    held = Remembered(most=2)
    for key in "abacab":
        assert held.get(key, lambda key=key: made.append(key) or key.upper()) == key.upper()
    assert made == ["a", "b", "c", "b"]


def test_none_is_a_result():
    made = []
    held = Remembered(most=2)
    assert held.get(1, lambda: made.append(1)) is None and held.get(1, lambda: made.append(1)) is None
    assert made == [1]


@pytest.fixture
def hasty():
    usual = sys.getswitchinterval()
    sys.setswitchinterval(1e-6)
    yield
    sys.setswitchinterval(usual)


def test_threads_that_push_out_each_others_results_get_their_own(hasty):
    held, wrong = Remembered(most=8), []

    def ask(seed):
        chance = random.Random(seed)
        for _ in range(20_000):
            key = chance.randrange(12)
            try:
                if held.get(key, lambda key=key: -key) != -key:
                    wrong.append(key)
            except KeyError as missing:
                wrong.append(missing)

    threads = [threading.Thread(target=ask, args=(seed,)) for seed in range(4)]
    for each in threads:
        each.start()
    for each in threads:
        each.join()
    assert wrong == []
