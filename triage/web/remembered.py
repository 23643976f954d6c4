"""What pages have worked out lately: bounded, the longest unused going first, safe between threads."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Hashable
from threading import Lock
from typing import Generic, TypeVar

Value = TypeVar("Value")


class Remembered(Generic[Value]):
    """Values by what they follow from; a key that holds everything a value rests on never goes stale."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._lock = Lock()
        self._values: OrderedDict[Hashable, Value] = OrderedDict()

    def get(self, key: Hashable, work_out: Callable[[], Value]) -> Value:
        """Return the value of `key`, worked out where it is not known; two at once may both do that."""
        with self._lock:
            if key in self._values:
                self._values.move_to_end(key)
                return self._values[key]
        value = work_out()  # outside the lock: others need not wait for it
        with self._lock:
            self._values[key] = value
            while len(self._values) > self._most:
                self._values.popitem(last=False)
        return value
