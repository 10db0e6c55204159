"""Every status has a sentence, and arrays of statuses hold each of them."""

from __future__ import annotations

from relkit.survival.status import REASONS, Status, status_array


def test_every_status_but_ok_has_a_sentence() -> None:
    assert set(REASONS) == set(Status)
    assert REASONS[Status.OK] == ""
    assert all(REASONS[status] for status in Status if status != Status.OK)


def test_arrays_hold_the_longest_status() -> None:
    statuses = status_array(2)
    statuses[:] = max(Status, key=len)
    assert statuses[0] == max(Status, key=len)
    assert status_array(1).tolist() == ["ok"]
