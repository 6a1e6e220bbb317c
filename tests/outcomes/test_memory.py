"""What is worked out once for one reading."""

from __future__ import annotations

import gc
import weakref

from casebook.outcomes.memory import remembered


class Reading:
    def itself(self):
        return self


def test_a_value_is_worked_out_once_for_each_owner_and_key():
    worked, one, other = [], Reading(), Reading()

    def work(value):
        return lambda: worked.append(value) or value

    assert [remembered(one, "a", work(1)), remembered(one, "a", work(2))] == [1, 1]
    assert remembered(one, "b", work(3)) == 3
    assert remembered(other, "a", work(4)) == 4
    assert worked == [1, 3, 4]


def test_what_is_known_goes_with_its_owner():
    owner, value = Reading(), Reading()
    remembered(owner, "a", value.itself)
    seen = weakref.ref(value)
    del value
    assert seen() is not None
    del owner
    gc.collect()
    assert seen() is None
