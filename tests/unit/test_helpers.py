"""Work shared with other processes: the same answers whoever gives them, no piece lost."""

import operator
import os
import threading
import time

import numpy as np
import pytest

from momentshare import plan_study
from momentshare.demo import small_study
from momentshare.helpers import Shared, helping
from momentshare.runs import solve_band


def nothing():
    """Load nothing."""


def squares(count, there=lambda key: (operator.mul, (key, key))):
    return Shared(range(count), lambda key: key * key, there)


@pytest.mark.parametrize("processes", [0, 1, 2])
def test_every_piece_is_done_once_by_somebody(processes):
    shared, told, before = squares(40), [], threading.active_count()
    with helping(processes, nothing) as helpers:
        assert bool(helpers) == (processes > 0)
        helpers.join(shared)
        while processes and len(shared.left) == 40:  # until another has begun
            time.sleep(0.02)
        assert list(shared.finish(told.append).items()) == [(k, k * k) for k in range(40)]
        assert told == sorted(told)
        assert len(told) < 40 or not processes
        again = squares(3)  # they work on one thing after another
        helpers.join(again)
        assert again.finish() == {0: 0, 1: 1, 2: 4}
    assert threading.active_count() == before


def test_a_piece_whose_process_dies_is_done_here():
    shared, told = squares(1, there=lambda _: (os._exit, (3,))), []
    with helping(1, nothing) as helpers:
        helpers.join(shared)
        while shared.left:  # until the other has begun it
            time.sleep(0.02)
        time.sleep(0.5)  # and could have begun it again
        assert shared.finish(told.append) == {0: 0}
        assert told == [0]


def test_a_fault_elsewhere_is_raised_where_the_answers_are_wanted():
    shared = squares(1, there=lambda _: (operator.truediv, (1, 0)))
    with helping(1, nothing) as helpers:
        helpers.join(shared)
        while shared.left:
            time.sleep(0.02)
        with pytest.raises(ZeroDivisionError):
            shared.finish()


def test_the_band_is_the_same_to_the_bit_with_helpers(monkeypatch):
    monkeypatch.setattr("momentshare.runs.band._TOGETHER", 4)
    planned = plan_study(small_study())
    solved = planned.solve()
    alone = solve_band(planned.setup, solved)
    with helping(1, nothing) as helpers:
        beside = solve_band(planned.setup, solved, helpers=helpers)
        begun = planned.solve(band=True, helpers=helpers).band  # before the study is solved
    for other in (beside, begun):
        assert alone.posture.keys() == other.posture.keys()
        for key, one in alone.posture.items():
            for name in ("activation", "force", "load", "ratio"):
                assert np.array_equal(
                    getattr(one, name), getattr(other.posture[key], name), equal_nan=True
                )


def test_pieces_that_are_wanted_first_do_not_wait_for_the_others():
    shared, told = squares(6), []
    assert shared.finish(told.append, only=[4, 1]) == {4: 16, 1: 1}
    assert told == [4, 1]
    assert sorted(shared.left) == [0, 2, 3, 5]
    assert list(shared.finish(told.append)) == list(range(6))
    assert told == [4, 1, 0, 2, 3, 5]


def test_the_latest_work_comes_first():
    order = []

    def noted(name):
        def there(key):
            order.append((name, key))
            return operator.mul, (key, key)

        return there

    early, late = squares(2, there=noted("early")), squares(2, there=noted("late"))
    with helping(1, nothing) as helpers:
        with helpers._change:  # nothing is taken before both are there
            helpers.join(early)
            helpers.join(late)
        while early.left or late.left:
            time.sleep(0.02)
        assert early.finish() == late.finish() == {0: 0, 1: 1}
    assert order == [("late", 1), ("late", 0), ("early", 1), ("early", 0)]
