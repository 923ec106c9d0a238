"""A function that remembers gives the same object for equal arguments, and no other for others."""

from retro.model.latest import remembered


def test_equal_arguments_get_the_same_object_until_so_many_others_were_asked_for() -> None:
    made: list[tuple[int, ...]] = []

    @remembered(2)
    def pair(first: tuple[int, ...], *, second: int) -> list[int]:
        made.append((*first, second))
        return [*first, second]

    one = pair((1,), second=2)
    assert pair((1,), second=2) is one
    assert pair((1,), second=3) == [1, 3]
    assert pair((1,), second=2) is one
    pair((4,), second=5)
    pair((6,), second=7)
    assert pair((1,), second=2) == one
    assert made == [(1, 2), (1, 3), (4, 5), (6, 7), (1, 2)]
