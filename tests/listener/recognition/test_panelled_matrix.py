"""The product by panels is the product, held to numpy's own in numbers of 64 bits."""

from __future__ import annotations

import threading

import numpy as np
import pytest

from listener.recognition.helping_thread import HelpingThread
from listener.recognition.panelled_matrix import WIDTH, Panelled

CHANCE = np.random.default_rng(5)


@pytest.mark.parametrize("outputs", [1, WIDTH - 1, WIDTH, 3 * WIDTH, 3 * WIDTH + 5])
@pytest.mark.parametrize("rows", [1, 2, 13, 40])
def test_rows_are_multiplied_as_by_the_whole_matrix(rows: int, outputs: int) -> None:
    weight = CHANCE.normal(size=(24, outputs)).astype(np.float32)
    x = CHANCE.normal(size=(rows, 24)).astype(np.float32)
    whole = x.astype(np.float64) @ weight
    panels = Panelled(weight)
    assert panels.times(x).shape == (rows, outputs)
    np.testing.assert_allclose(panels.times(x), whole, atol=1e-5)
    np.testing.assert_allclose(panels.first_times(x, None), whole, atol=1e-5)


@pytest.mark.parametrize("count", [1, WIDTH, WIDTH + 1, 2 * WIDTH + 7])
def test_the_first_columns_may_be_asked_for_alone_by_any_number_of_rows(count: int) -> None:
    weight = CHANCE.normal(size=(24, 2 * WIDTH + 7)).astype(np.float32)
    panels = Panelled(weight)
    for rows in (2, 13, 3):
        x = CHANCE.normal(size=(rows, 24)).astype(np.float32)
        whole = x.astype(np.float64) @ weight
        np.testing.assert_allclose(panels.first_times(x, count), whole[:, :count], atol=1e-5)


def test_columns_are_those_of_the_matrix_to_the_last_digit() -> None:
    weight = CHANCE.normal(size=(2 * WIDTH + 7, 24)).astype(np.float16)
    panels = Panelled(weight.T)
    which = [0, 70, WIDTH, 3, 3]
    np.testing.assert_array_equal(panels.columns(which), weight[which].astype(np.float32))


def test_two_threads_come_to_the_same_to_the_last_digit() -> None:
    panels = Panelled(CHANCE.normal(size=(512, 1000)).astype(np.float32))
    x = CHANCE.normal(size=(13, 512)).astype(np.float32)
    alone = panels.times(x)
    panels.helper = HelpingThread()
    np.testing.assert_array_equal(panels.times(x), alone)
    np.testing.assert_array_equal(panels.first_times(x, 999), alone[:, :999])


def test_two_threads_work_at_the_same_time_and_what_fails_is_told() -> None:
    helper, meet = HelpingThread(), threading.Barrier(2)
    done: list[str] = []

    def work(name: str) -> None:
        meet.wait(10)  # neither goes on before the other has begun
        done.append(name)

    helper.both(lambda: work("here"), lambda: work("there"))
    assert sorted(done) == ["here", "there"]
    with pytest.raises(ZeroDivisionError):
        helper.both(lambda: None, lambda: 1 / 0)
    helper.both(lambda: done.append("here again"), lambda: done.append("there again"))
    assert len(done) == 4
