"""What is made ahead: the latest wish, and none of those before it any longer than need be."""

import queue
import threading

from retro.listening.ahead import Ahead, Still


def test_the_latest_wish_alone_is_still_wanted() -> None:
    ahead = Ahead()
    begun, go_on, told = threading.Event(), threading.Event(), queue.Queue[tuple[str, bool]]()

    def first(still: Still) -> None:
        told.put(("first", still()))
        begun.set()
        go_on.wait(60)
        told.put(("first", still()))

    ahead.begin(first)
    assert begun.wait(60)
    assert told.get(timeout=60) == ("first", True)
    ahead.begin(lambda still: told.put(("second", still())))
    assert told.get(timeout=60) == ("second", True)
    go_on.set()
    assert told.get(timeout=60) == ("first", False)


def test_what_goes_wrong_ahead_hinders_nothing() -> None:
    ahead, told = Ahead(), queue.Queue[int]()
    ahead.begin(lambda _: told.put(1 // 0))
    ahead.begin(lambda _: told.put(2))
    assert told.get(timeout=60) == 2
