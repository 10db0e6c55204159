"""Spares and bays against a slow queue of each history by itself."""

from __future__ import annotations

import numpy as np
import pytest

from relkit.whatif.simulation_queues import bays_of, from_shelf, in_bay, shelves_of


@pytest.mark.parametrize("seed", range(4))
def test_shelves_agree_with_a_count_of_the_shelf(seed: int) -> None:
    # Source: second implementation below: a list of arrivals per history and pool.
    source = np.random.default_rng(seed)
    histories, stock, lead = 3, np.array([0, 1, 3]), np.array([5.0, 20.0, 9.0])
    shelves = shelves_of(stock, lead, histories)
    free: dict[tuple[int, int], list[float]] = {
        (h, p): [-np.inf] * int(stock[p]) for h in range(histories) for p in range(3)
    }
    day = 0.0
    for _ in range(60):
        count = int(source.integers(1, 12))
        times = np.sort(day + source.uniform(0, 2, count))
        day = float(times[-1])
        history, pool = source.integers(0, histories, count), source.integers(0, 3, count)
        found = from_shelf(shelves, history, pool, times)
        for h, p, time, at_hand in zip(history, pool, times, found, strict=True):
            shelf = free[h, p]
            shelf.append(time + lead[p])  # ordered at once
            first = min(shelf)
            shelf.remove(first)
            assert at_hand == max(time, first)


@pytest.mark.parametrize("seed", range(4))
def test_bays_agree_with_one_job_after_the_other(seed: int) -> None:
    # Source: second implementation below: the time at which each bay is free.
    source = np.random.default_rng(seed)
    capacity = np.array([3.0, np.inf])
    bays, free = bays_of(capacity, 2), {(h, d): -np.inf for h in range(2) for d in range(2)}
    day = 0.0
    for _ in range(50):
        count = int(source.integers(1, 9))
        ready = np.sort(day + source.uniform(0, 1, count))
        day = float(ready[-1])
        history, depot = source.integers(0, 2, count), source.integers(0, 2, count)
        hours = source.uniform(0.5, 6, count)
        begin, done = in_bay(bays, history, depot, ready, hours)
        for k in range(count):
            place = (int(history[k]), int(depot[k]))
            enough = np.isinf(capacity[place[1]])
            start = ready[k] if enough else max(ready[k], free[place])
            end = start + hours[k] / (24.0 if enough else capacity[place[1]])
            free[place] = end
            assert (begin[k], done[k]) == pytest.approx((start, end))


def test_nobody_in_the_queue_is_no_work() -> None:
    # Source: the empty case.
    none = np.zeros(0, dtype=np.int64)
    begin, done = in_bay(bays_of(np.array([1.0]), 1), none, none, np.zeros(0), np.zeros(0))
    assert (len(begin), len(done)) == (0, 0)
